"""Checks of values as digits: held displays, and digits that no meter makes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from rules import suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Flags, Floats, Ints, codes, ranked, starts

STEPS = 1000.0
"""Values are compared to 0.001 dB."""
MIX = 1_000_003
"""Odd multiplier that keeps the values of a record's wavelengths apart in one number."""


@check("values-stuck")
def stuck(context: Context) -> pd.DataFrame:
    """Find equal values under one label after the other, more than the run's own spread explains.

    Looked at per wavelength, and for records that are equal at every wavelength.
    """
    rows = np.flatnonzero(context.track >= 0)
    value = np.rint(context.loss[rows] * STEPS).astype("int64")
    label = codes(context.working["label"])[0][rows]
    order = np.lexsort((context.order[rows], context.track[rows]))
    single = _runs_of_equal(context, rows[order], context.track[rows][order], value[order],
                            label[order], "stuck_records", "at one wavelength")  # fmt: skip
    span = int(context.order.max(initial=0)) + 1
    record = context.run[rows] * span + context.order[rows]
    order = np.lexsort((context.lane[rows], record))
    begins = starts(record[order])
    number = np.cumsum(begins) - 1
    if not len(rows):
        return suspicions.none()
    lanes = context.lane[rows][order]
    power = np.array([pow(MIX, int(k), 2**61) for k in range(len(context.lanes))], dtype="int64")
    mixed = np.zeros(int(number[-1]) + 1, dtype="int64")
    with np.errstate(over="ignore"):
        np.add.at(mixed, number, (value[order] + 1_000_000) * power[lanes])
    several = np.bincount(number) > 1
    head = order[begins][several]
    every = _runs_of_equal(context, rows[head], context.run[rows][head], mixed[several],
                           label[head], "stuck_all_records", "at every wavelength")  # fmt: skip
    covered = set(every["run_id"])
    return suspicions.join(every, single.loc[~single["run_id"].isin(covered)])


def _runs_of_equal(
    context: Context, rows: Ints, key: Ints, value: Ints, label: Ints, least: str, where: str
) -> pd.DataFrame:
    """Find stretches of equal values; rows are sorted by key and order."""
    if len(rows) < 2:
        return suspicions.none()
    same = ~starts(key)
    same[1:] &= (value[1:] == value[:-1]) & (label[1:] != label[:-1])
    begin = np.flatnonzero(~same)
    length = np.diff(np.concatenate([begin, [len(rows)]]))
    at = begin[length >= context.threshold(least)]
    if not len(at):
        return suspicions.none()
    size = length[length >= context.threshold(least)]
    chance = _expected(key, value, same)[at] ** (size - 1) * _members(key)[at]
    kept = chance < context.threshold("stuck_chance")
    at, size = at[kept], size[kept]
    first, last = rows[at], rows[at + size - 1]
    labels = context.working["label"].to_numpy(dtype=object)
    per_lane = where == "at one wavelength"
    return wording.of_runs(
        context, "values-stuck", context.run[first],
        [f"{n} records from “{labels[a]}” to “{labels[b]}” hold the same value {where} "
         f"({context.loss[a]:.2f} dB)" for n, a, b in zip(size, first, last, strict=True)],
        context.lane[first] if per_lane else None,
        first_order=context.order[first], last_order=context.order[last],
    )  # fmt: skip


def _members(key: Ints) -> Ints:
    number = np.cumsum(starts(key)) - 1
    return np.asarray(np.bincount(number)[number], dtype="int64")


def _expected(key: Ints, value: Ints, same: Flags) -> Floats:
    """Return per row the chance that two values of its group are equal, ties in a row apart."""
    kept = ~same
    group = np.cumsum(starts(key)) - 1
    number = ranked(group[kept] * (int(np.ptp(ranked(value))) + 1) + ranked(value)[kept])
    count = np.bincount(number)
    groups = int(group[-1]) + 1
    of_group = np.zeros(len(count), dtype="int64")
    of_group[number] = group[kept]
    ties = np.bincount(of_group, count * (count - 1.0), groups)
    n = np.bincount(group[kept], minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        # one tie more than seen, so that a group without ties is not certain
        chance = (ties + 2.0) / (n * (n - 1.0))
    return np.asarray(np.clip(np.nan_to_num(chance, nan=1.0), 0.0, 1.0)[group])


@check("last-digits")
def last_digits(context: Context) -> pd.DataFrame:
    """Find runs whose hundredths are not spread evenly; off unless the job asks for it."""
    if context.threshold("digits_on") <= 0:
        return suspicions.none()
    rows = np.flatnonzero(context.track >= 0)
    digit = np.abs(np.rint(context.loss[rows] * 100.0).astype("int64")) % 10
    table = np.zeros((len(context.runs), 10))
    np.add.at(table, (context.run[rows], digit), 1.0)
    n = table.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        square = ((table - n[:, None] / 10.0) ** 2 / (n[:, None] / 10.0)).sum(axis=1)
    chance = special.chdtrc(9, square)
    hit = (chance < context.threshold("digits_chance")) & (n >= context.threshold("digits_values"))
    at = np.flatnonzero(hit)
    return wording.of_runs(
        context, "last-digits", at,
        [f"χ² = {square[r]:.1f} with 9 degrees of freedom over {n[r]:.0f} values" for r in at],
    )  # fmt: skip
