"""Where an instrument stood before and after: crews go on where they stopped."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import columns
from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.grid import Grid

NEXT_BITS = 3.5
"""For a run that begins in the panel where the same instrument's last run ended, or in one beside
it, against any other panel; likewise for where it ends and the next one begins (common practice,
no source)."""


def previous(table: pd.DataFrame, run: np.ndarray) -> np.ndarray:
    """Return for each run the run that the same instrument did just before it, -1 where unknown.

    table: records in order of work; run: the number of each record's run, ascending. Runs without
    a clock or a serial number, and runs of several instruments, follow nothing.
    """
    meter, names = columns.codes(table["meter_serial"])
    start = np.flatnonzero(np.diff(run, prepend=-1))
    utc_s = np.fmin.reduceat(table["utc_s"].to_numpy(dtype=float), start) if len(start) else start
    own = meter[start]
    one = np.flatnonzero(np.bincount(run, weights=meter != own[run]) == 0)
    known = one[np.isfinite(utc_s[one]) & (names[own[one]] != "")]
    known = known[np.lexsort((utc_s[known], own[known]))]
    late, early = known[1:], known[:-1]
    follows = (own[late] == own[early]) & (utc_s[late] > utc_s[early])
    out = np.full(len(start), -1, dtype=np.int64)
    out[late[follows]] = early[follows]
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
