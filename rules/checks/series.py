"""Checks of a run as a series: levels that step, rise and fall back, or drift."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.expectation import LEAST_SPREAD_DB
from rules.checks.registry import check
from rules.columns import Floats, Ints, ranked

LONGEST = 400
"""Records of one stretch in which every pair of ends is tried."""


@check("reference-step", "level-episode")
def levels(context: Context) -> pd.DataFrame:
    """Find records from which on all losses of a run lie higher or lower, for good or for a while.

    Stretches of one run in one cable are scanned with the two-sample statistic at every record;
    those that show something are looked at for the stretch that stands out most.
    """
    table = context.series
    if table.empty:
        return suspicions.none()
    series = {name: column.to_numpy() for name, column in table.items()}
    key, value = series["segment"], series["value"]
    step = np.abs(np.diff(value))
    step[key[1:] != key[:-1]] = np.nan
    usual = _usual(context.meter[series["row"]], step)
    least = int(context.threshold("step_records"))
    score = np.abs(robust.split(key, value, usual, least))
    bounds = np.searchsorted(key, np.arange(int(key.max()) + 2))
    strongest = np.fmax.reduceat(score, bounds[:-1])
    found = []
    # the least spread that a stretch may have gives the most that it may score
    for segment in np.flatnonzero(strongest > context.threshold("step_score") / 2):
        low, high = int(bounds[segment]), int(bounds[segment + 1])
        noise = _spread(step[low : high - 1], usual[low])
        if strongest[segment] * usual[low] / noise > context.threshold("step_score") / 2:
            part = {str(name): column[low:high] for name, column in series.items()}
            found += _changes(context, part, noise, least)
    return suspicions.join(*found)


STEP_TO_SPREAD = robust.NORMAL / np.sqrt(2.0)
"""Median of the steps between neighbours to the spread of the values: they differ by √2."""


def _usual(meter: Ints, step: Floats) -> Floats:
    """Return per record the spread of its meter's stretches, at least 0.02 dB.

    `step` is the distance in dB from each record to the next, NaN where another stretch begins.
    """
    middle = robust.medians(meter[1:], step, int(meter.max()) + 1)
    usual: Floats = np.fmax(middle * STEP_TO_SPREAD, LEAST_SPREAD_DB)
    return usual[meter]


def _spread(step: Floats, usual: float) -> float:
    """Return the spread of one stretch from its steps: a change of level does not count.

    A short stretch borrows from its meter: its own estimate is too uncertain to stand alone.
    """
    own = robust.medians(np.zeros(len(step), dtype="int64"), step, 1)[0] * STEP_TO_SPREAD
    return float(np.fmax(own, usual))


def _changes(
    context: Context, part: Mapping[str, Any], noise: float, least: int
) -> list[pd.DataFrame]:
    """Report the stretch of a series that stands out, if it is strong, large and this run's own.

    `part` are the columns of `Context.series` for one segment.
    """
    values, own = (part[name][:LONGEST] for name in ("value", "own"))
    order = part["order"]
    begin, end, score = robust.episode(values, noise, least)
    if abs(score) < context.threshold("step_score"):
        return []
    inside = np.zeros(len(values), dtype="bool")
    inside[begin:end] = True
    shift, mine = (float(np.median(v[inside]) - np.median(v[~inside])) for v in (values, own))
    # the step may be the other run's: then this run's own values do not follow it
    if abs(shift) < context.threshold("step_db") or mine * np.sign(shift) < abs(shift) / 2.0:
        return []
    run = part["run"][:1]
    lasting = end == len(values)
    last = int(context.order[context.run == run[0]].max()) if lasting else int(order[end - 1])
    label = context.working["label"].iloc[int(part["row"][begin])]
    until = "to the end of the run" if lasting else f"for {end - begin} links"
    return [
        wording.of_runs(
            context, "reference-step" if lasting else "level-episode", run,
            [f"from “{label}” on losses lie {abs(shift):.2f} dB "
             f"{'higher' if shift > 0 else 'lower'} {until}, at all wavelengths "
             f"({abs(score):.0f} times what chance gives)"],
            first_order=int(order[begin]), last_order=last,
        )
    ]  # fmt: skip


def _drifts(key: Ints, x: Floats, y: Floats, groups: int) -> tuple[Floats, Floats]:
    """Return slope per key and the chance of a slope as steep in either sense (Student's t)."""
    slope, error, n = robust.slopes(key, x, y, groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = 2.0 * special.stdtr(n - 2.0, -np.abs(slope / error))
    return slope, np.asarray(chance)


@check("source-warming", "level-trend")
def drifts(context: Context) -> pd.DataFrame:
    """Find runs whose losses drift: in the first minutes after the reference, or all through."""
    table = context.series
    if table.empty:
        return suspicions.none()
    runs = len(context.runs)
    run, value = table["run"].to_numpy(), table["value"].to_numpy()
    rows = table["row"].to_numpy()
    minutes = _minutes_since_start(context)[rows]
    window = context.threshold("warming_min")
    with np.errstate(invalid="ignore"):
        early = np.where((minutes >= 0) & (minutes <= window), run, -1)
    slope, chance = _drifts(early, minutes, value, runs)
    warm = slope * window
    with np.errstate(invalid="ignore"):
        hit = (np.abs(warm) > context.threshold("warming_db")) & (
            chance < context.threshold("drift_chance"))  # fmt: skip
        hit &= robust.counts(early, value, runs) >= context.threshold("drift_records")
    place = table.groupby("run").cumcount().to_numpy().astype("float64")
    slope, chance = _drifts(run, place, value, runs)
    n = np.bincount(run, minlength=runs)
    whole = slope * (n - 1)
    with np.errstate(invalid="ignore"):
        trend = (np.abs(whole) > context.threshold("trend_db")) & (
            chance < context.threshold("trend_chance"))  # fmt: skip
        trend &= n >= 2 * context.threshold("drift_records")
    at, through = np.flatnonzero(hit), np.flatnonzero(trend)
    return suspicions.join(
        wording.of_runs(
            context, "source-warming", at,
            [f"losses change by {warm[r]:+.2f} dB in the first {window:.0f} min" for r in at],
        ),
        wording.of_runs(
            context, "level-trend", through,
            [f"losses change by {whole[r]:+.2f} dB over the run" for r in through],
        ),
    )  # fmt: skip


def _minutes_since_start(context: Context) -> Floats:
    """Return minutes since the reference of the reading, else since its run began."""
    age = context.working["reference_age_h"].to_numpy() * 60.0
    begin = context.run_span[0]
    return np.where(np.isnan(age), (context.utc - begin[context.run]) / 60.0, age)


@check("cord-wear")
def wear(context: Context) -> pd.DataFrame:
    """Find meters whose losses rise with every mating, in all cables alike.

    Each run is one point (median excess over median place), since cables differ among themselves.
    """
    runs = len(context.runs)
    most = context.runs["meter_serial"].value_counts().max() if runs else 0
    if most < context.threshold("wear_runs"):
        return suspicions.none()
    track = np.where(np.isnan(context.excess), -1, context.run)
    excess = robust.medians(track, np.clip(context.excess, -1.0, 1.0), runs)
    place = robust.medians(track, context.order.astype("float64"), runs, step=1.0)
    meter = ranked(pd.factorize(context.runs["meter_serial"], sort=True)[0].astype("int64"))
    groups = int(meter.max()) + 1
    slope, chance = _drifts(meter, place, excess, groups)
    with np.errstate(invalid="ignore"):
        hit = (slope * 100.0 > context.threshold("wear_db_per_100")) & (
            chance < context.threshold("wear_chance"))  # fmt: skip
        hit &= robust.counts(meter, excess, groups) >= context.threshold("wear_runs")
    found = []
    for number in np.flatnonzero(hit):
        mine = np.flatnonzero(meter == number)
        serial = context.runs["meter_serial"].iloc[mine[0]]
        text = f"losses of meter {serial} rise by {slope[number] * 100:.2f} dB per 100 matings"
        found.append(wording.of_runs(context, "cord-wear", mine, [text] * len(mine)))
    return suspicions.join(*found)
