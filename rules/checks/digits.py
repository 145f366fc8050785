"""Checks of values as digits: held displays, and digits that no meter makes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from rules import suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Flags, Ints

STEPS = 1000.0
"""Values are compared to 0.001 dB."""


@check("values-stuck")
def stuck(context: Context) -> pd.DataFrame:
    """Find equal values under one label after the other, more than the run's own spread explains.

    Looked at per wavelength, and for records that are equal at every wavelength.
    """
    rows, number = context.places
    if not len(rows):
        return suspicions.none()
    table = context.series
    values = np.full((len(table), len(context.lanes)), np.iinfo("int64").min, dtype="int64")
    values[number, context.lane[rows]] = np.rint(context.loss[rows] * STEPS).astype("int64")
    segment = table["segment"].to_numpy()
    moved = np.zeros(len(table), dtype="bool")
    moved[1:] = segment[1:] == segment[:-1]
    moved[1:] &= context.relabelled(table["row"].to_numpy())
    there = values != np.iinfo("int64").min
    same = np.zeros(values.shape, dtype="bool")
    same[1:] = moved[1:, None] & there[1:] & there[:-1] & (values[1:] == values[:-1])
    several = there.sum(axis=1) > 1
    alike = np.zeros(len(table), dtype="bool")
    alike[1:] = moved[1:] & several[1:] & (values[1:] == values[:-1]).all(axis=1)
    every = _stretches(context, alike, values, segment, "stuck_all_records", None)
    covered = set(every["run_id"])
    single = suspicions.join(
        *(_stretches(context, same[:, lane], values[:, [lane]], segment, "stuck_records", lane)
          for lane in range(len(context.lanes)))
    )  # fmt: skip
    return suspicions.join(every, single.loc[~single["run_id"].isin(covered)])


def _stretches(
    context: Context, same: Flags, values: Any, segment: Ints, least: str, lane: int | None
) -> pd.DataFrame:
    """Find stretches of records that repeat the one before, longer than chance makes them."""
    begin = np.flatnonzero(~same)
    length = np.diff(np.concatenate([begin, [len(same)]]))
    long = length >= context.threshold(least)
    begin, length = begin[long], length[long]
    chance = np.array([_chance(values, segment, same, at, n) for at, n in
                       zip(begin, length, strict=True)])  # fmt: skip
    kept = chance < context.threshold("stuck_chance")
    begin, length = begin[kept], length[kept]
    table = context.series
    first, last = table["row"].to_numpy()[begin], table["row"].to_numpy()[begin + length - 1]
    labels = context.working["label"]
    where = "at every wavelength" if lane is None else "at one wavelength"
    return wording.of_runs(
        context, "values-stuck", context.run[first],
        [f"{n} links from “{labels.iloc[a]}” to “{labels.iloc[b]}” hold the same value {where}"
         for n, a, b in zip(length, first, last, strict=True)],
        None if lane is None else np.full(len(first), lane),
        first_order=context.order[first], last_order=context.order[last],
    )  # fmt: skip


def _chance(values: Any, segment: Ints, same: Flags, at: Any, n: Any) -> float:
    """Return how many stretches of n equal records chance makes in the series around `at`.

    The chance of one tie is the share of equal pairs among the series' values, repeats left out;
    two ties more than seen are assumed, so that a series without ties is not certain.
    """
    low, high = np.searchsorted(segment, [segment[at], segment[at] + 1])
    distinct = values[low:high][~same[low:high]]
    counts = np.unique(distinct, axis=0, return_counts=True)[1].astype("float64")
    m = float(counts.sum())
    tie = ((counts * (counts - 1.0)).sum() + 2.0) / max(m * (m - 1.0), 1.0)
    return float(min(tie, 1.0) ** (n - 1) * (high - low))


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
