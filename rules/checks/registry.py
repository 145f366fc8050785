"""The list of checks: what each looks for, when, and by which thresholds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from rules.checks.context import Context
from rules.codes.findings import FINDINGS

Look = Callable[[Context], pd.DataFrame]


@dataclass(frozen=True)
class Check:
    """One check: a function of whole tables that returns FOUND."""

    name: str
    look: Look
    when: str
    codes: tuple[str, ...]


CHECKS: dict[str, Check] = {}
BEFORE, AFTER, PLAN = "before", "after", "plan"
"""When a check runs: before grading, once grades exist, or over the whole plan alone."""


def check(*codes: str, after: bool = False, plan: bool = False) -> Callable[[Look], Look]:
    """Register a function as the check that makes findings of `codes`.

    With `after` it runs once grades exist. All others may be shown a part of the job, with its
    readings and the links around them; one with `plan` sees every link and no reading. Raise
    ValueError on an unknown code or a name twice.
    """

    def register(look: Look) -> Look:
        name = f"{look.__module__.rsplit('.', 1)[-1]}.{look.__name__}"
        unknown = [code for code in codes if code not in FINDINGS]
        if unknown or name in CHECKS:
            raise ValueError(f"check {name}: unknown codes {unknown} or registered twice")
        when = PLAN if plan else AFTER if after else BEFORE
        CHECKS[name] = Check(name, look, when, codes)
        return look

    return register
