"""What `evaluate` takes and gives: the arguments and the result as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import pandas as pd

from rules import tables


@dataclass(frozen=True)
class Plan:
    """One plan revision: its links (table LINKS) and its number."""

    links: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.LINKS))
    revision: int = 0


@dataclass(frozen=True)
class RunSheets:
    """The crew's paper: sheets (RUN_SHEETS) and the references and checks on them."""

    sheets: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.RUN_SHEETS))
    checks: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.SHEET_CHECKS))


@dataclass(frozen=True)
class Decisions:
    """What people decided: answers to questions (ANSWERS) and other acts (ACTS)."""

    answers: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.ANSWERS))
    acts: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.ACTS))


@dataclass(frozen=True, kw_only=True)
class Results:
    """What is derived link by link and reading by reading; tables as named in `rules.tables`."""

    planned: pd.DataFrame
    readings: pd.DataFrame
    runs: pd.DataFrame
    pairs: pd.DataFrame
    findings: pd.DataFrame
    questions: pd.DataFrame
    limits: pd.DataFrame
    grades: pd.DataFrame
    test_states: pd.DataFrame
    retests: pd.DataFrame
    balance: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Evaluation(Results):
    """Everything derived from what is kept."""

    as_of: str
    plan: Plan
    completion: pd.DataFrame

    def spelled(self) -> Evaluation:
        """Return it with plain text in place of kind `few`, as reports and exports take it."""
        made: dict[str, Any] = {name: tables.spelled(getattr(self, name)) for name in TABLES}
        return replace(self, **made)


TABLES = tuple(part.name for part in fields(Evaluation) if part.name not in ("as_of", "plan"))
"""The tables of an Evaluation."""
