"""What the measured values say of a place: loss against length, and the fibre type."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import fibres
from rules.pairing.candidates import OUTSIDE, TAIL, States
from rules.pairing.grid import Grid

DB_PER_KM = {"multimode": (2.7, 0.8), "single-mode": (0.36, 0.23)}
"""Typical attenuation below and above the middle of the fibre's windows; engineering values."""
CONNECTION_DB, SPLICE_DB = 0.3, 0.05
"""Typical, not the most allowed; a run's own offset takes up what is wrong with them."""
MOST_BITS = 2.0
"""One record's values never count more than this: one dirty connector must not move a record."""
AGREE_DB = 0.09
"""Spread between two measurements of one fibre (common practice, no source)."""
CLEANED = 0.3
"""Share of retests that find another loss, as the connector was cleaned (engineering value)."""
OUTSIDE_BITS = -1.0
MODE_BITS = -10.0
LOG2_E = 1.4426950408889634


@dataclass(frozen=True)
class Measured:
    """Values of each record: loss in the lower and the upper window, measured length, mode."""

    loss_db: np.ndarray
    """[record, 2], NaN where not measured."""
    length_m: np.ndarray
    multimode: np.ndarray
    """1 where the wavelengths are only multimode's, 0 only single-mode's, -1 undecided."""

    def take(self, rows: np.ndarray) -> Measured:
        """Return the values of some records, in the order given."""
        return Measured(self.loss_db[rows], self.length_m[rows], self.multimode[rows])


def of_records(working: pd.DataFrame, record_of: np.ndarray, records: int) -> Measured:
    """Collect the values of each record; several readings of one window are averaged."""
    used = record_of >= 0
    record = record_of[used]
    nm = working["wavelength_nm"].to_numpy()[used]
    loss = working["loss_db"].to_numpy(dtype=float)[used]
    upper = np.where(nm < 1000, 0, np.where(nm < 1290, -1, np.where(nm < 1345, 2, 1)))
    table = np.full((records, 2), np.nan)
    low_mode = np.bincount(record[nm < 1000], minlength=records) > 0
    high_mode = np.bincount(record[nm > 1400], minlength=records) > 0
    # 1300/1310 is the upper window of multimode and the lower one of single-mode fibre
    band = np.where(upper == 2, np.where(high_mode[record], 0, 1), upper)
    for column in (0, 1):
        mine = (band == column) & np.isfinite(loss)
        total = np.bincount(record[mine], weights=loss[mine], minlength=records)
        count = np.bincount(record[mine], minlength=records)
        table[:, column] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    length = working["length_m"].to_numpy(dtype=float)[used]
    known = np.isfinite(length)
    total = np.bincount(record[known], weights=length[known], minlength=records)
    count = np.bincount(record[known], minlength=records)
    mode = np.where(low_mode & ~high_mode, 1, np.where(high_mode & ~low_mode, 0, -1))
    return Measured(table, np.where(count > 0, total / np.maximum(count, 1), np.nan), mode)


@dataclass(frozen=True)
class Expected:
    """What the plan lets one expect at each unit of a grid."""

    loss_db: np.ndarray
    """Attenuation below and above the middle of the fibre's windows (dB)."""
    multimode: np.ndarray
    """1 where the fibre is multimode, else 0."""
    length_m: np.ndarray
    """Length (m), NaN where the plan has none."""


def expected(links: pd.DataFrame, grid: Grid) -> Expected:
    """Return what table LINKS lets one expect at each unit."""
    multi = fibres.is_multimode(links["fibre_type"]).to_numpy()
    rate = np.where(multi[:, None], DB_PER_KM["multimode"], DB_PER_KM["single-mode"])
    length = links["length_m"].to_numpy(dtype=float)
    fixed = (
        links["connections"].fillna(2).to_numpy(dtype=float) * CONNECTION_DB
        + links["splices"].fillna(0).to_numpy(dtype=float) * SPLICE_DB
    )[:, None]
    loss_db = (np.nan_to_num(length)[:, None] / 1000 * rate + fixed)[grid.link]
    return Expected(loss_db, multi[grid.link].astype(np.int64), length[grid.link])


def weigh(
    states: States, measured: Measured, planned: Expected, panel: np.ndarray, run_of: np.ndarray,
    sure: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Return the thousandths of a bit that the values of a record give each of its states.

    sure: for each record the unit it stands on if there is little doubt, else -1; the offset and
    spread of each run are taken from those. panel: of each unit. A cable that is longer than
    planned moves a whole panel, so what the records of a stretch share counts once.
    """
    sure_rows = np.flatnonzero(sure >= 0)
    residual = measured.loss_db[sure_rows] - planned.loss_db[sure[sure_rows]]
    bits = np.zeros(len(states.unit))
    own = measured.loss_db[states.record] - planned.loss_db[states.unit]
    views = (
        (mean_of_windows(residual), mean_of_windows(own), 0.10, 0.20),
        (residual[:, 0] - residual[:, 1], own[:, 0] - own[:, 1], 0.06, 0.12),
    )
    class_of = run_of * 2 + np.where(measured.multimode == 1, 1, 0)
    classes = int(class_of.max(initial=0)) + 1
    place = class_of[states.record]
    stretch = (run_of[states.record] * (int(panel.max(initial=0)) + 1) + panel[states.unit]) * 16
    # places that only a mended label reaches are no part of a stretch that was labelled in full
    _, group = np.unique(stretch + 2 * states.regime + (states.form > TAIL), return_inverse=True)
    for known, seen, floor, between in views:
        middle, spread = _by_class(known, class_of[sure_rows], classes, floor)
        bits += _stretches(seen - middle[place], spread[place], group, between)
    measured_length = measured.length_m[states.record]
    length = planned.length_m[states.unit]
    z = (measured_length - length) / (2.0 + 0.03 * length)
    bits -= np.where(np.isfinite(z), np.minimum(0.5 * z * z * LOG2_E, MOST_BITS), 0.0)
    mode = measured.multimode[states.record]
    bits += np.where((mode >= 0) & (mode != planned.multimode[states.unit]), MODE_BITS, 0.0)
    bits = np.where(states.form == OUTSIDE, OUTSIDE_BITS, bits)
    return np.rint(1000 * bits).astype(np.int64)


def _stretches(
    off: np.ndarray, spread: np.ndarray, group: np.ndarray, between: float
) -> np.ndarray:
    """Weigh deviations: those within a stretch each by itself, the stretch's mean once."""
    known = np.isfinite(off) & np.isfinite(spread)
    count = np.bincount(group[known], minlength=int(group.max(initial=0)) + 1)
    total = np.bincount(group[known], weights=off[known], minlength=len(count))
    mean = total / np.maximum(count, 1)
    n = count[group]
    alone = n < 4
    share = np.where(alone, 1.0, n / np.maximum(n - 1, 1))
    z = np.where(alone, off, off - mean[group]) / np.where(alone, np.hypot(spread, between), spread)
    each = np.minimum(0.5 * z * z * share * LOG2_E, MOST_BITS)
    whole = np.minimum(0.5 * (mean[group] / between) ** 2 * LOG2_E, 4 * MOST_BITS)
    return -np.where(known, each + np.where(alone, 0.0, whole / np.maximum(n, 1)), 0.0)


def repeats(measured: Measured, run_of: np.ndarray) -> np.ndarray:
    """Return how much likelier each record's loss is as a retest of the record before (bits).

    Records in order of work. Against any two neighbours of the run: two fibres seldom have one
    loss, and one fibre has one, unless it was cleaned in between. 0 where nothing is known.
    """
    mean = mean_of_windows(measured.loss_db)
    same = np.isfinite(measured.loss_db)
    known = np.r_[False, (run_of[1:] == run_of[:-1]) & (same[1:] == same[:-1]).all(axis=1)]
    off = np.abs(mean - np.r_[np.nan, mean[:-1]])
    off[~known] = np.nan
    spread = 1.4826 * pd.Series(off).groupby(run_of).transform("median").to_numpy()
    wide = np.maximum(np.where(np.isfinite(spread), spread, AGREE_DB), AGREE_DB)
    one = np.exp(-0.5 * (off / AGREE_DB) ** 2) / AGREE_DB
    two = np.exp(-0.5 * (np.minimum(off / wide, 6.0)) ** 2) / wide
    bits = np.log2((1 - CLEANED) * one / two + CLEANED)
    return np.where(np.isfinite(bits), bits, 0.0)


def mean_of_windows(pair: np.ndarray) -> np.ndarray:
    """Return the mean over the windows that were measured, NaN where none was."""
    count = np.isfinite(pair).sum(axis=1)
    return np.where(count > 0, np.nansum(pair, axis=1) / np.maximum(count, 1), np.nan)


def _by_class(
    values: np.ndarray, classes: np.ndarray, count: int, floor: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return median and robust spread per class; without five values a wide spread."""
    middle, spread = np.zeros(count), np.full(count, np.inf)
    good = np.isfinite(values)
    frame = pd.DataFrame({"v": values[good], "c": classes[good]}).sort_values(["c", "v"])
    if frame.empty:
        return middle, spread
    grouped = frame.groupby("c")["v"]
    centre = grouped.median()
    off = (frame["v"] - frame["c"].map(centre)).abs()
    width = 1.4826 * off.groupby(frame["c"]).median()
    enough = grouped.size() >= 5
    at = centre.index.to_numpy()
    middle[at] = centre.to_numpy()
    spread[at] = np.where(enough, np.maximum(width.to_numpy(), floor), np.inf)
    return middle, spread
