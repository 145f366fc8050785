"""What `evaluate` takes and gives: the arguments and the result as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from rules import tables

if TYPE_CHECKING:
    from rules.pairing import Memory


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


@dataclass(frozen=True)
class Evaluation:
    """Everything derived from what is kept; tables as named in `rules.tables`."""

    as_of: str
    plan: Plan
    planned: pd.DataFrame
    readings: pd.DataFrame
    runs: pd.DataFrame
    pairs: pd.DataFrame
    findings: pd.DataFrame
    questions: pd.DataFrame
    limits: pd.DataFrame
    grades: pd.DataFrame
    test_states: pd.DataFrame
    completion: pd.DataFrame
    retests: pd.DataFrame
    balance: pd.DataFrame
    memory: Memory | None = None
    """What pairing settled, for the next evaluation of the job to take over (`evaluate`)."""

    def spelled(self) -> Evaluation:
        """Return it with plain text in place of kind `few`, as reports and exports take it."""
        made: dict[str, Any] = {name: tables.spelled(getattr(self, name)) for name in TABLES}
        return replace(self, **made)


TABLES = tuple(
    part.name for part in fields(Evaluation) if part.name not in ("as_of", "plan", "memory")
)
"""The tables of an Evaluation."""
