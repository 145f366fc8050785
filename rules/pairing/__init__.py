"""Pair readings with planned links by evidence; ask where the evidence does not settle it."""

from rules.pairing.engine import Lost, Memory, Pairing, joined, pair, pair_on, turned
from rules.pairing.explain import explain
from rules.pairing.ground import Ground
from rules.pairing.parameters import Parameters
from rules.pairing.remembered import Remembered

__all__ = [
    "Ground", "Lost", "Memory", "Pairing", "Parameters", "Remembered", "explain", "joined", "pair",
    "pair_on", "turned",
]  # fmt: skip
