"""From STORED to the working table that pairing takes, the same for everybody who pairs."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from rules import clocks, duplicates, references, runs
from rules.evaluation import Decisions, RunSheets
from rules.settings import Settings


@dataclass(frozen=True)
class Prepared:
    """The working table as pairing takes it, table RUNS, and what was found and asked so far."""

    working: pd.DataFrame
    runs: pd.DataFrame
    findings: tuple[pd.DataFrame, ...]
    questions: tuple[pd.DataFrame, ...]


def prepare(
    readings: pd.DataFrame, run_sheets: RunSheets, decisions: Decisions, settings: Settings
) -> Prepared:
    """Bring STORED to the working table: clocks, duplicates, runs, references."""
    working, of_clocks = clocks.resolve(readings, settings)
    working, of_copies, ask_copies = duplicates.mark(working, decisions)
    working, run_table, of_runs, ask_runs = runs.assign(working, run_sheets, settings)
    working, of_references = references.apply(working, run_table, run_sheets, settings)
    found = (of_clocks, of_copies, of_runs, of_references)
    return Prepared(working, run_table, found, (ask_copies, ask_runs))
