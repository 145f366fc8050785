"""Checks of tests made more than once: how often, by whom, with what change."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks import verdicts, wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import numbers


@check("many-tries", "two-crews")
def tries(context: Context) -> pd.DataFrame:
    """Find tests read more than twice, and tests that two meters hold."""
    rows = np.flatnonzero(~np.isnan(context.loss) & (context.way < 2))
    key = (context.link[rows] * len(context.lanes) + context.lane[rows]) * 2 + context.way[rows]
    size = np.bincount(key)
    again = rows[size[key] > 1]
    if not len(again):
        return suspicions.none()
    meter = numbers(context.working["meter_serial"])
    frame = pd.DataFrame(
        {"key": key[size[key] > 1], "row": again, "link": context.link[again],
         "run": context.run[again], "meter": meter[again], "loss": context.loss[again],
         "when": context.utc[again], "order": context.order[again]}
    ).sort_values(["key", "when", "meter", "order"])  # fmt: skip
    groups = frame.groupby("key")
    table = pd.DataFrame(
        {"n": groups.size(), "meters": groups["meter"].nunique(), "row": groups["row"].last(),
         "run": groups["run"].last(), "low": groups["loss"].min(), "high": groups["loss"].max(),
         "link": groups["link"].last()}
    )  # fmt: skip
    many = table.loc[table["n"] > context.threshold("tries")].drop_duplicates("link")
    crews = table.loc[table["meters"] > 1]
    by_run = crews.groupby("run", sort=True).agg(tests=("link", "size"), links=("link", "nunique"))
    return suspicions.join(
        wording.of_readings(
            context, "many-tries", many["row"].to_numpy("int64"),
            [f"{n} readings of one test, from {low:.2f} to {high:.2f} dB"
             for n, low, high in zip(many["n"], many["low"], many["high"], strict=True)],
        ),
        wording.of_runs(
            context, "two-crews", by_run.index.to_numpy("int64"),
            [f"{tests} tests of {links} links were also stored by another meter"
             for tests, links in by_run.itertuples(index=False)],
        ),
    )  # fmt: skip


@check("retest-passed", after=True)
def retest_passed(context: Context) -> pd.DataFrame:
    """Note tests whose earlier reading failed and whose later one passes."""
    grades = context.grades
    older = grades.loc[(grades["grade"] == "superseded") & (grades["margin_db"] < 0)]
    if older.empty:
        return suspicions.none()
    key = ["link_id", "kind", "wavelength_nm", "direction"]
    newer = grades.loc[grades["grade"].isin(verdicts.PASSED), [*key, "loss_db", "reading_ids"]]
    both = newer.drop_duplicates(key).merge(older.drop_duplicates(key)[[*key, "loss_db"]], on=key,
                                            suffixes=("", "_old"))  # fmt: skip
    return wording.of_results(
        context, "retest-passed", both,
        [f"{old:.2f} dB failed, {new:.2f} dB passed later"
         for old, new in both[["loss_db_old", "loss_db"]].itertuples(index=False)],
    )  # fmt: skip
