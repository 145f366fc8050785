"""Checks of a run as a series: levels that step, rise and fall back, or drift."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Floats, Ints, ranked, starts

CLIP_DB = 0.6
"""One bad link must not look like a change of level: single values count up to this."""
LONGEST = 400
"""Records of one stretch looked at pair by pair; longer ones are looked at in pieces."""


def records(context: Context) -> pd.DataFrame:
    """Return one row per record of a run within a cable: its mean distance from the cable.

    Columns: run, cable, order, value (dB, mean over wavelengths of `relative` clipped), noise (dB,
    of that mean), sorted by run, cable, order. A step of the reference shows at all wavelengths.
    """
    rows = np.flatnonzero(context.cable_lane >= 0)
    clipped = np.clip(context.relative[rows], -CLIP_DB, CLIP_DB)
    cable = context.cable[context.link[rows]] if len(rows) else rows
    span = int(context.order.max(initial=0)) + 1
    cables = int(context.cable.max(initial=0)) + 1
    key = (context.run[rows] * cables + cable) * span + context.order[rows]
    order = np.argsort(key, kind="stable")
    begins = starts(key[order])
    number = np.cumsum(begins) - 1
    count = np.bincount(number)
    square = context.noise[context.cable_lane[rows]] ** 2
    first = key[order][begins]
    return pd.DataFrame(
        {
            "run": first // span // cables,
            "cable": first // span % cables,
            "order": first % span,
            "value": np.bincount(number, clipped[order]) / np.maximum(count, 1),
            # loss at two wavelengths shares the connectors: no gain from averaging is assumed
            "noise": np.sqrt(np.bincount(number, square[order]) / np.maximum(count, 1)),
        }
    )


@check("reference-step", "level-episode")
def levels(context: Context) -> pd.DataFrame:
    """Find records from which on all losses of a run lie higher or lower, for good or for a while.

    Stretches of one run in one cable are scanned with the two-sample statistic at every record;
    those that show something are looked at for the stretch that stands out most.
    """
    table = records(context)
    if table.empty:
        return suspicions.none()
    key = ranked(table["run"].to_numpy() * (int(table["cable"].max()) + 1)
                 + table["cable"].to_numpy())  # fmt: skip
    value = table["value"].to_numpy()
    noise = _spread(key, value, table["noise"].to_numpy())
    least = int(context.threshold("step_records"))
    score = np.abs(robust.split(key, value, noise, least))
    strongest = np.zeros(int(key.max()) + 1)
    np.fmax.at(strongest, key, score)
    bounds = np.searchsorted(key, np.arange(len(strongest) + 1))
    found = []
    for segment in np.flatnonzero(strongest > context.threshold("step_score") / 2):
        part = slice(int(bounds[segment]), int(bounds[segment + 1]))
        found += _changes(context, table.iloc[part], float(noise[part][0]), least)
    return suspicions.join(*found)


def _spread(key: Ints, value: Floats, noise: Floats) -> Floats:
    """Return the spread within each stretch from differences of neighbours: steps do not count."""
    step = np.diff(value)
    step[key[1:] != key[:-1]] = np.nan
    groups = int(key.max()) + 1
    spread = robust.medians(key[1:], np.abs(step), groups) * robust.NORMAL / np.sqrt(2.0)
    few = robust.counts(key[1:], step, groups) < 8
    own = np.where(np.isnan(spread) | few, 0.0, spread)[key]
    return np.maximum(np.where(own > 0, own, noise), 0.02)


def _changes(context: Context, part: pd.DataFrame, noise: float, least: int) -> list[pd.DataFrame]:
    """Report the stretch of a series that stands out, if it is strong and large enough."""
    values = part["value"].to_numpy()[:LONGEST]
    order = part["order"].to_numpy()
    begin, end, score = robust.episode(values, noise, least)
    if abs(score) < context.threshold("step_score"):
        return []
    rest = np.concatenate([values[:begin], values[end:]])
    shift = float(np.median(values[begin:end]) - np.median(rest))
    if abs(shift) < context.threshold("step_db"):
        return []
    run = np.array([int(part["run"].iloc[0])], "int64")
    lasting = end == len(values)
    code = "reference-step" if lasting else "level-episode"
    last = int(context.order[context.run == run[0]].max()) if lasting else int(order[end - 1])
    where = context.working.iloc[int(np.flatnonzero(
        (context.run == run[0]) & (context.order == order[begin])
    )[0])]  # fmt: skip
    direction = "higher" if shift > 0 else "lower"
    until = "to the end of the run" if lasting else f"for {end - begin} records"
    return [
        wording.of_runs(
            context, code, run,
            [f"from “{where['label']}” on losses lie {abs(shift):.2f} dB {direction} {until}, at "
             f"all wavelengths ({abs(score):.0f} times what chance gives)"],
            first_order=int(order[begin]), last_order=last,
        )
    ]  # fmt: skip


def _minutes_since_start(context: Context) -> Floats:
    """Return minutes since the reference of the reading, else since its run began."""
    age = context.working["reference_age_h"].to_numpy() * 60.0
    begin = np.full(len(context.runs), np.inf)
    np.fmin.at(begin, context.run, context.utc)
    return np.where(np.isnan(age), (context.utc - begin[context.run]) / 60.0, age)


@check("source-warming")
def warming(context: Context) -> pd.DataFrame:
    """Find runs whose losses drift in the first minutes after the reference."""
    minutes = _minutes_since_start(context)
    window = context.threshold("warming_min")
    with np.errstate(invalid="ignore"):
        early = (minutes >= 0) & (minutes <= window)
    y = np.where(early, np.clip(context.relative, -CLIP_DB, CLIP_DB), np.nan)
    run = np.where(np.isnan(context.loss), -1, context.run)
    slope, error, n = robust.slopes(run, minutes, y, len(context.runs))
    drift = slope * window
    with np.errstate(invalid="ignore", divide="ignore"):
        hit = (np.abs(drift) > context.threshold("warming_db")) & (n >= 8)
        hit &= np.abs(slope) > error * context.threshold("trend_score")
    runs = np.flatnonzero(hit)
    return wording.of_runs(
        context, "source-warming", runs,
        [f"losses change by {drift[r]:+.2f} dB in the first {window:.0f} min" for r in runs],
    )  # fmt: skip


@check("level-trend")
def trend(context: Context) -> pd.DataFrame:
    """Find runs whose losses drift from beginning to end, within the cables tested."""
    run = np.where(np.isnan(context.loss), -1, context.run)
    runs = len(context.runs)
    y = np.clip(context.relative, -CLIP_DB, CLIP_DB)
    x = np.where(np.isnan(context.loss), np.nan, context.order.astype("float64"))
    slope, error, n = robust.slopes(run, x, y, runs)
    low, high = np.full(runs, np.inf), np.full(runs, -np.inf)
    kept = run >= 0
    np.fmin.at(low, run[kept], x[kept])
    np.fmax.at(high, run[kept], x[kept])
    drift = slope * (high - low)
    with np.errstate(invalid="ignore", divide="ignore"):
        # wavelengths of a record and strands of a tube are alike: count a third as independent
        hit = np.abs(slope) > error * np.sqrt(3.0) * context.threshold("trend_score")
        hit &= (np.abs(drift) > context.threshold("trend_db")) & (n >= 24)
    at = np.flatnonzero(hit)
    return wording.of_runs(
        context,
        "level-trend",
        at,
        [f"losses change by {drift[r]:+.2f} dB over the run" for r in at],
    )


@check("cord-wear")
def wear(context: Context) -> pd.DataFrame:
    """Find meters whose losses rise with every mating, in all cables alike."""
    meter = pd.factorize(context.runs["meter_serial"], sort=True)[0].astype("int64")
    if not len(meter):
        return suspicions.none()
    group = np.where(np.isnan(context.loss), -1, meter[context.run])
    groups = int(meter.max()) + 1
    x = np.where(np.isnan(context.loss), np.nan, context.order.astype("float64"))
    y = np.clip(context.excess, -CLIP_DB, CLIP_DB)
    slope, error, n = robust.slopes(group, x, y, groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        score = slope / (error * np.sqrt(3.0))
    chance = special.ndtr(-score)
    hit = (slope * 100.0 > context.threshold("wear_db_per_100")) & (chance < 1e-6) & (n >= 400)
    found = []
    for number in np.flatnonzero(hit):
        runs = np.flatnonzero(meter == number)
        serial = context.runs["meter_serial"].iloc[runs[0]]
        text = f"losses of meter {serial} rise by {slope[number] * 100:.2f} dB per 100 matings"
        found.append(wording.of_runs(context, "cord-wear", runs, [text] * len(runs)))
    return suspicions.join(*found)
