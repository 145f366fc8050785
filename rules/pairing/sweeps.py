"""Whole panels taken port by port under their planned labels: nothing there needs weighing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.case import UNBOUND, Case
from rules.pairing.grid import Grid
from rules.pairing.ledger import WAYS
from rules.pairing.physics import mean_of_windows
from rules.pairing.sites import Sites

LEAST_PORTS = 4
"""Fewer ports in order prove nothing."""
MOST_OFF_DB = 0.5
"""A sweep whose loss stands further from its run's habit is weighed like any other; two and a
half times what one cable differs from the next (`physics.weigh`)."""
MOST_ROUNDS = 2
"""Times that a run loses only the sweeps in doubt."""
LIKELY = 0.02
"""A place this probable for another record is a claim to be weighed."""
MOST_LENGTHS_OFF = 0.2
"""Share of measured lengths that may disagree with the plan."""


def named(labels: pd.Series, grid: Grid, place: Sites, *, pairs: bool) -> np.ndarray:
    """Return the unit whose planned label each label is to the letter, -1 where none or several."""
    typed, unique = pd.factorize(labels)
    site = place.named(pd.Series(unique), pairs=pairs)
    return np.asarray(grid.unit_of[site[typed]])


def find(case: Case, unit: np.ndarray) -> np.ndarray:
    """Return the number of the sweep that each record belongs to, -1 where it belongs to none.

    A sweep is an unbroken stretch of one run that takes every port of one panel once, in order,
    each under its planned label, where no other record names a port of that panel the same way,
    nobody's answer, note or repair concerns the panel, and the values do not speak against it.

    unit: what each label names (`named`).
    """
    grid, run, way = case.grid, case.run, case.way
    if not len(run) or not grid.units:
        return np.full(len(run), -1, dtype=np.int64)
    panel = np.where(unit >= 0, grid.panel[np.maximum(unit, 0)], -1)
    step = np.diff(unit)
    joined = (np.abs(step) == 1) & (panel[1:] == panel[:-1]) & (panel[1:] >= 0)
    joined &= (run[1:] == run[:-1]) & (way[1:] == way[:-1])
    stretch = np.cumsum(np.r_[True, ~joined]) - 1
    starts = np.flatnonzero(np.r_[True, ~joined])
    count = np.bincount(stretch)
    last = starts + count - 1
    home = panel[starts]
    size = grid.sizes[np.maximum(home, 0)]
    whole = (home >= 0) & (count == size) & (count >= LEAST_PORTS)
    whole &= np.abs(unit[last] - unit[starts]) == size - 1
    whole &= ~case.touched[np.maximum(home, 0)]
    claims = np.bincount(
        panel[panel >= 0] * WAYS + way[panel >= 0], minlength=len(grid.sizes) * WAYS
    )
    whole &= claims[np.maximum(home, 0) * WAYS + way[starts]] == size
    bound = np.bincount(stretch, weights=case.fixed != UNBOUND, minlength=len(starts))
    whole &= (bound == 0) & _plausible(case, stretch, len(starts), unit)
    return np.where(whole[stretch], stretch, -1)


def undoubted(
    case: Case, unit: np.ndarray, sweep: np.ndarray, rows: np.ndarray, states: States,
    probability: np.ndarray, given_up: np.ndarray,
) -> np.ndarray | None:  # fmt: skip
    """Return the sweeps without those that another record may lay claim to; None if none may.

    A place that another record may have measured the same way is such a claim. Where a run lost
    sweeps again and again, its others go too, which soon ends the matter.

    rows: the record of the class that each record among `states` is; given_up: how often each run
    lost sweeps already.
    """
    owner = np.full(case.grid.units * WAYS, -1, dtype=np.int64)
    held = sweep >= 0
    owner[unit[held] * WAYS + case.way[held]] = sweep[held]
    record = rows[states.record]
    other = (sweep[record] < 0) & (states.form != OUTSIDE) & (probability > LIKELY)
    found = owner[states.unit[other] * WAYS + case.way[record[other]]]
    doubted = np.isin(sweep, found[found >= 0])
    if not doubted.any():
        return None
    tired = np.zeros(len(given_up), dtype=bool)
    tired[case.run[doubted]] = True
    doubted |= (tired & (given_up >= MOST_ROUNDS))[case.run]
    return np.where(doubted, -1, sweep)


def _plausible(case: Case, stretch: np.ndarray, stretches: int, unit: np.ndarray) -> np.ndarray:
    """Say of each stretch whether fibre type, lengths and losses agree with the plan."""
    measured, planned = case.measured, case.expected
    at = np.maximum(unit, 0)
    other = (measured.multimode >= 0) & (measured.multimode != planned.multimode[at])
    other &= unit >= 0
    length_m = planned.length_m[at]
    off = np.abs(measured.length_m - length_m) > 3 * (2.0 + 0.03 * length_m)
    lengths = np.isfinite(measured.length_m) & np.isfinite(length_m)
    wrong = np.bincount(stretch, weights=off & lengths, minlength=stretches)
    known = np.bincount(stretch, weights=lengths, minlength=stretches)
    good = np.bincount(stretch, weights=other, minlength=stretches) == 0
    good &= wrong <= MOST_LENGTHS_OFF * np.maximum(known, 1)
    residual = mean_of_windows(measured.loss_db - planned.loss_db[at])
    residual[unit < 0] = np.nan
    habit = pd.Series(residual).groupby(case.run).transform("median").to_numpy()
    away = pd.Series(residual - habit).groupby(stretch).median().to_numpy()
    return np.asarray(good & ~(np.abs(away) > MOST_OFF_DB))
