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
from rules.checks.registry import AFTER, BEFORE, CHECKS, PLAN, Check

__all__ = ["CHECKS", "Check", "Context", "after", "before", "of_plan"]

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
    return _run(context, BEFORE)


def after(context: Context) -> pd.DataFrame:
    """Run every check that needs grades; return FOUND with decisions applied."""
    return _run(context, AFTER)


def of_plan(context: Context) -> pd.DataFrame:
    """Run every check that looks at the plan alone; return FOUND with decisions applied."""
    return _run(context, PLAN)


def _run(context: Context, when: str) -> pd.DataFrame:
    found = [check.look(context) for check in CHECKS.values() if check.when == when]
    return causes.settle(suspicions.join(*found), context.decisions)
