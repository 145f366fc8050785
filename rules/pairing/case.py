"""Records of one class, and all that is known of them before they are weighed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from rules.pairing import match, physics
from rules.pairing.bindings import Bindings
from rules.pairing.grid import Grid
from rules.pairing.parameters import Parameters
from rules.settings import Settings

UNBOUND = -2
"""Nobody answered anything for this record."""


@dataclass(frozen=True)
class Case:
    """Records of one fibre, or records of two, in order of work, and the grid they stand on."""

    table: pd.DataFrame
    """Rows of `records.of_readings`."""
    measured: physics.Measured
    way: np.ndarray
    """A number below `ledger.WAYS` per record: directions and lowest window."""
    grid: Grid
    expected: physics.Expected
    index: match.Index
    bound: Bindings
    fixed: np.ndarray
    """The unit that an answer gives each record, -1 outside the plan or left out, else UNBOUND."""
    noted: np.ndarray
    """Units that the crew noted as skipped or blocked: the work is followed past them."""
    again: np.ndarray
    """Units that a repair or a retest list sends a crew to again: a second reading is no rival."""
    parameters: Parameters
    settings: Settings
    before: np.ndarray
    """The run that the same instrument did just before each run (`succession.previous`)."""
    elsewhere: Mapping[str, int]
    """Names of panels that the plan lacks, and how often records typed them that are not here."""

    def take(self, rows: np.ndarray, elsewhere: Mapping[str, int]) -> Case:
        """Return the case of some whole runs; the other records typed `elsewhere`."""
        runs = np.unique(self.run[rows])
        number = np.full(len(self.before) + 1, -1, dtype=np.int64)
        number[runs] = np.arange(len(runs))
        return replace(
            self,
            table=self.table.iloc[rows].reset_index(drop=True),
            measured=self.measured.take(rows),
            way=self.way[rows],
            fixed=self.fixed[rows],
            before=number[self.before[runs]],
            elsewhere=elsewhere,
        )

    @cached_property
    def names(self) -> list[str]:
        """Return the label of each record."""
        return self.table["label"].to_list()

    @cached_property
    def run(self) -> np.ndarray:
        """Return a number per record for its run."""
        return pd.factorize(self.table["run_id"])[0]

    @cached_property
    def touched(self) -> np.ndarray:
        """Return per panel whether an answer, a note or a repair concerns it."""
        out = np.zeros(len(self.grid.sizes), dtype=bool)
        for units in (self.noted, self.again, self.fixed[self.fixed >= 0]):
            out[self.grid.panel[units]] = True
        return out
