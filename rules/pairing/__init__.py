"""Pair readings with planned links by evidence; ask where the evidence does not settle it."""

from rules.pairing.components import Remembered
from rules.pairing.engine import Memory, Pairing, pair
from rules.pairing.explain import explain
from rules.pairing.parameters import Parameters

__all__ = ["Memory", "Pairing", "Parameters", "Remembered", "explain", "pair"]
