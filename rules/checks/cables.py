"""Checks of links against the other links of their cable, and of cables against expectation."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.expectation import LEAST_SPREAD_DB
from rules.checks.registry import check
from rules.columns import Floats, Ints, codes, combined, firsts, spans, starts

LEAST = 5
"""Fewest readings of a run in a cable whose median is compared."""
GROUP = 12
"""Strands of a tube or cassette where the plan names none. Common practice, no source."""


DECIDED = ("conditional-fail", "fail", "superseded")
"""Grades that say more of a reading than its neighbours could."""


@check("outlier", after=True)
def outlier(context: Context) -> pd.DataFrame:
    """Find passing links that lose more than the others of their cable; the worst is named."""
    key = context.cable_lane
    size = robust.counts(key, context.relative, context.cable_lanes)
    least = context.threshold("outlier_db")
    # only what may lie above when rounded is looked at
    far = np.flatnonzero((context.relative > least - 0.001) & (key >= 0))
    far = far[np.round(context.relative[far], 4) > least]
    score = context.relative[far] / _spread(context, key[far])[key[far]]
    much = score > context.threshold("outlier_score")
    far, score = far[much], score[much]
    decided = context.grades.loc[context.grades["grade"].isin(DECIDED), "reading_ids"]
    ids = [one for text in decided for one in json.loads(text)]
    fresh = ~context.working["reading_id"].take(far).isin(ids).to_numpy()
    kept = np.flatnonzero(fresh & (size[key[far]] >= context.threshold("group_links")))
    kept = kept[np.lexsort((-score[kept], context.link[far[kept]]))]
    kept = kept[starts(context.link[far[kept]])]
    rows, score = far[kept], score[kept]
    return wording.of_readings(
        context, "outlier", rows,
        [f"{context.loss[r]:.2f} dB is {context.relative[r]:.2f} dB above the median of its cable, "
         f"{times:.1f} times the usual spread" for r, times in zip(rows, score, strict=True)],
    )  # fmt: skip


def _spread(context: Context, keys: Ints) -> Floats:
    """Return the robust spread in dB of some cables × lanes, at least 0.02; the others' is NaN."""
    asked = np.zeros(context.cable_lanes + 1, dtype="bool")
    asked[keys] = True
    rows = np.flatnonzero(asked[context.cable_lane])
    spread = robust.spreads(
        context.cable_lane[rows], context.relative[rows], context.cable_lanes,
        np.zeros(context.cable_lanes),
    )  # fmt: skip
    return np.where(asked[:-1], np.fmax(spread, LEAST_SPREAD_DB), np.nan)


def _by_run_and_cable(context: Context) -> pd.DataFrame:
    """Return one row per run × cable × lane of LEAST readings and more, with their median."""
    rows, number = context.places
    lanes = max(len(context.lanes), 1)
    segment = context.series["segment"].to_numpy()
    key = segment[number] * lanes + context.lane[rows] if len(rows) else rows
    groups = (int(segment.max(initial=-1)) + 1) * lanes
    first = firsts(key, groups)
    # the excess allows for the method of each run; without lengths the loss has to do
    level = np.where(np.isnan(context.excess), context.straightened, context.excess)
    # in the order of the records: the first and the last of each are its ends
    order = context.order[rows]
    low, high = order[first], order[_last(key, groups)]
    table = pd.DataFrame(
        {
            "run": context.run[rows][first], "cable_lane": context.cable_lane[rows][first],
            "lane": context.lane[rows][first], "cable": context.cable[context.link[rows][first]],
            "n": np.bincount(key, minlength=groups), "low": low, "high": high,
            "level": robust.medians(key, level[rows], groups),
            "known": ~np.isnan(context.excess[rows][first]),
        }
    )  # fmt: skip
    return table.loc[table["n"] >= LEAST]


def _last(key: Ints, groups: int) -> Ints:
    """Return the last row of each key 0 … groups − 1."""
    out = np.zeros(groups, dtype="int64")
    out[key] = np.arange(len(key))
    return out


def _over_lanes(table: pd.DataFrame) -> pd.DataFrame:
    """Return one row per run × cable: the median level (`excess`), and what spans its lanes."""
    run, cable = table["run"].to_numpy(), table["cable"].to_numpy()
    key = combined(run, cable)
    groups = int(key.max()) + 1
    first = firsts(key, groups)
    low, _ = spans(key, table["low"].to_numpy(), groups)
    _, high = spans(key, table["high"].to_numpy(), groups)
    return pd.DataFrame(
        {
            "run": run[first], "cable": cable[first],
            # the levels are medians already, in halves of a step
            "excess": robust.medians(key, table["level"].to_numpy(), groups, robust.STEP / 2),
            "known": np.bincount(key, ~table["known"].to_numpy(), groups) == 0,
            "n": np.bincount(key, table["n"].to_numpy(), groups).astype("int64"),
            "low": low, "high": high,
        }
    )  # fmt: skip


@check("cable-shifted", "run-shifted", "half-power")
def shifted(context: Context) -> pd.DataFrame:
    """Find runs off the other runs over the same cable, and cables off the expected loss."""
    table = _by_run_and_cable(context)
    if table.empty:
        return suspicions.none()
    runs = _over_lanes(table)
    moved = _against_others(context, table)
    limit = context.threshold("cable_shift_db")
    shifted_runs = {run for run, _, _ in moved}
    wide = runs.loc[
        runs["known"] & (runs["excess"].abs().round(4) > limit) & ~runs["run"].isin(shifted_runs)
    ]
    half = wide.loc[_is_half(context, wide["excess"].to_numpy())]
    wide = wide.drop(half.index)
    return suspicions.join(
        *(_report_moved(context, run, cables, shift) for run, cables, shift in moved),
        wording.of_runs(
            context, "half-power", half["run"].to_numpy("int64"),
            [f"cable {context.cable_names[c]}: {e:+.2f} dB off the expected loss"
             for c, e in zip(half["cable"], half["excess"], strict=True)],
            first_order=half["low"], last_order=half["high"],
        ),
        wording.of_runs(
            context, "cable-shifted", wide["run"].to_numpy("int64"),
            [f"cable {context.cable_names[c]}: the median of {n} readings is {e:+.2f} dB off the "
             "loss expected from length, connections and splices"
             for c, n, e in zip(wide["cable"], wide["n"], wide["excess"], strict=True)],
            first_order=wide["low"], last_order=wide["high"],
        ),
    )  # fmt: skip


def _is_half(context: Context, shift: Floats) -> np.ndarray:
    low, high = context.threshold("half_power_low_db"), context.threshold("half_power_high_db")
    return np.asarray((np.abs(shift) >= low) & (np.abs(shift) <= high))


def _against_others(context: Context, table: pd.DataFrame) -> list[tuple[int, list[int], float]]:
    """Return (run, cables, shift in dB) of runs that differ from others over the same links.

    Of two runs that differ the one further from the expected loss is named, without planned
    lengths the one that loses more.
    """
    several = table.groupby("cable_lane")["run"].transform("size") > 1
    part = table.loc[several].sort_values(["cable_lane", "run"])
    if part.empty:
        return []
    shifts: dict[int, list[tuple[int, float]]] = {}
    groups = part.groupby("cable_lane", sort=True)
    spread = groups["level"].transform("max") - groups["level"].transform("min")
    for _, rows in part.loc[spread > context.threshold("run_shift_db")].groupby("cable_lane"):
        levels = rows["level"].to_numpy()
        odd = int(np.argmax(np.abs(levels) if rows["known"].all() else levels))
        others = float(np.median(np.delete(levels, odd)))
        if abs(levels[odd] - others) > context.threshold("run_shift_db"):
            pair = (int(rows["cable"].iloc[0]), float(levels[odd] - others))
            shifts.setdefault(int(rows["run"].iloc[odd]), []).append(pair)
    return [
        (run, sorted({cable for cable, _ in hits}), float(np.median([s for _, s in hits])))
        for run, hits in sorted(shifts.items())
    ]


def _report_moved(context: Context, run: int, cables: list[int], shift: float) -> pd.DataFrame:
    half = bool(_is_half(context, np.array([shift]))[0])
    names = ", ".join(context.cable_names[cable] for cable in cables[:3])
    more = f" and {len(cables) - 3} more" if len(cables) > 3 else ""
    return wording.of_runs(
        context, "half-power" if half else "run-shifted", np.array([run], "int64"),
        [f"{shift:+.2f} dB against other runs over cable {names}{more}"],
    )  # fmt: skip


@check("position-trend")
def position(context: Context) -> pd.DataFrame:
    """Find tubes, or groups of twelve, whose links lose more than the rest of the cable."""
    links = context.plan.links
    if links.empty:
        return suspicions.none()
    place = links.groupby(context.cable).cumcount().to_numpy() // GROUP
    tube, names = codes(links["tube"])
    named = np.array([name != "" for name in names], dtype="bool")[tube]
    group = combined(context.cable, np.where(named, tube + 1_000_000, place))
    table = context.series
    rows, order = table["row"].to_numpy(), table["order"].to_numpy()
    number = combined(group[context.link[rows]], table["run"].to_numpy())
    groups = int(number.max(initial=-1)) + 1
    first = firsts(number, groups)
    level = robust.medians(number, table["own"].to_numpy(), groups)
    n = np.bincount(number, minlength=groups)
    siblings = np.bincount(context.cable[firsts(group, int(group.max()) + 1)])
    at = np.flatnonzero((np.round(level, 4) > context.threshold("position_db")) & (n >= LEAST))
    at = at[siblings[context.cable[context.link[rows[first[at]]]]] > 1]
    low, high = order[first], order[_last(number, groups)]
    chosen = context.link[rows[first[at]]]
    return wording.of_runs(
        context, "position-trend", context.run[rows[first[at]]],
        [f"cable {context.cable_names[context.cable[k]]}: the group of {context.link_ids[k]} loses "
         f"{level[a]:.2f} dB more than the cable's median ({n[a]} records)"
         for k, a in zip(chosen, at, strict=True)],
        first_order=low[at], last_order=high[at],
    )  # fmt: skip
