"""Checks: each looks over the whole job for one kind of suspicion."""

from __future__ import annotations

import pandas as pd

from rules import causes, suspicions
from rules.checks import (
    cables,
    clocking,
    digits,
    directions,
    memory,
    planning,
    powering,
    referencing,
    register,
    repeated,
    series,
    sources,
    values,
    verdicts,
    wavelengths,
)
from rules.checks.context import Context
from rules.checks.registry import CHECKS, Check

__all__ = ["CHECKS", "Check", "Context", "after", "before"]

MODULES = (
    cables,
    clocking,
    digits,
    directions,
    memory,
    planning,
    powering,
    referencing,
    register,
    repeated,
    series,
    sources,
    values,
    verdicts,
    wavelengths,
)
"""The modules whose checks are registered by importing them."""


def before(context: Context) -> pd.DataFrame:
    """Run every check that needs no grade; return FOUND with decisions applied."""
    return _run(context, after=False)


def after(context: Context) -> pd.DataFrame:
    """Run every check that needs grades; return FOUND with decisions applied."""
    return _run(context, after=True)


def _run(context: Context, after: bool) -> pd.DataFrame:
    found = [check.look(context) for check in CHECKS.values() if check.after == after]
    return causes.settle(suspicions.join(*found), context.decisions)
