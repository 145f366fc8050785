"""Where an instrument stood before and after: crews go on where they stopped."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.grid import Grid

NEXT_BITS = 3.5
"""For a run that begins in the panel where the same instrument's last run ended, or in one beside
it, against any other panel; likewise for where it ends and the next one begins (common practice,
no source)."""


def previous(table: pd.DataFrame, run: np.ndarray) -> np.ndarray:
    """Return for each run the run that the same instrument did just before it, -1 where unknown.

    table: records in order of work; run: the number of each record's run. Runs without a clock or
    a serial number, and runs of several instruments, follow nothing.
    """
    serial = table["meter_serial"].to_numpy(dtype=object)
    runs = pd.DataFrame({"run": run, "utc_s": table["utc_s"].to_numpy(), "meter": serial})
    by = runs.groupby("run").agg(
        utc_s=("utc_s", "min"), meter=("meter", "first"), meters=("meter", "nunique")
    )
    known = by[by["utc_s"].notna() & (by["meter"] != "") & (by["meters"] == 1)]
    known = known.sort_values(["meter", "utc_s"], kind="stable")
    same = (known["meter"] == known["meter"].shift()) & (known["utc_s"] > known["utc_s"].shift())
    out = np.full(len(by), -1, dtype=np.int64)
    before = known.index.to_series().shift(fill_value=-1)[same]
    out[before.index.to_numpy()] = before.to_numpy()
    return out


def weigh(
    states: States, row: np.ndarray, unit: np.ndarray, run: np.ndarray, before: np.ndarray,
    grid: Grid,
) -> np.ndarray:  # fmt: skip
    """Return thousandths of a bit for the places of each run's first record and of its last.

    row: where each record among `states` stands in its class; unit: for each record of the class
    the place it has, -1 where that is in doubt; run: of each record of the class; before: the run
    done just before each (`previous`).
    """
    first = np.r_[True, run[1:] != run[:-1]]
    last = np.r_[run[1:] != run[:-1], True]
    panel = np.where(unit >= 0, grid.panel[np.maximum(unit, 0)], -1)
    after = np.full(len(before), -1, dtype=np.int64)
    after[before[before >= 0]] = np.flatnonzero(before >= 0)
    at = row[states.record]
    bits = np.zeros(len(at), dtype=np.int64)
    for side, end, other in ((first, last, before), (last, first, after)):
        stood = np.full(len(before), -1, dtype=np.int64)
        stood[run[end]] = panel[end]
        there = np.where(other >= 0, stood[other], -1)[run[at]]
        near = (there >= 0) & (np.abs(grid.panel[states.unit] - there) <= 1)
        bits += np.where(side[at] & near & (states.form != OUTSIDE), round(1000 * NEXT_BITS), 0)
    return bits
