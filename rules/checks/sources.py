"""Checks of light sources by their own logs: whether the level held after the reference."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import references, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check

BEFORE_S = 3600.0
"""How far before a run its source's log is looked at. Common practice, no source."""


@check("source-changed")
def changed(context: Context) -> pd.DataFrame:
    """Find runs during which their source's own log changes level, fails or starts again."""
    rows = np.flatnonzero(context.log & np.isfinite(context.utc))
    if not len(rows):
        return suspicions.none()
    part = context.working.iloc[rows]
    log = pd.DataFrame(
        {"source": part["source_serial"].to_numpy(), "utc": context.utc[rows],
         "window": references.window_key(part["wavelength_nm"]),
         "level": part["power_dbm"].where(part["state"] == "ok").to_numpy()}
    ).sort_values(["source", "window", "utc"])  # fmt: skip
    low, high = context.run_span
    limit = context.threshold("source_level_db")
    hits, texts, firsts, lasts = [], [], [], []
    for run in np.flatnonzero(np.isfinite(low) & context.tested):
        mine = log.loc[
            (log["source"] == context.runs["source_serial"].iloc[run])
            & log["utc"].between(low[run] - BEFORE_S, high[run])
        ]
        begin = mine.loc[mine["utc"] <= low[run]].groupby("window")["level"].last()
        later = mine.loc[mine["utc"] > low[run]]
        off = (later["level"] - later["window"].map(begin)).round(4)
        moved = later.loc[later["level"].isna() | (off.abs() > limit)]
        if moved.empty:
            continue
        first = moved.sort_values("utc").iloc[0]
        after = np.flatnonzero((context.run == run) & (context.utc >= first["utc"]))
        if not len(after):
            continue
        hits.append(int(run))
        level = "no level" if np.isnan(first["level"]) else f"{first['level']:.2f} dBm"
        texts.append(f"the source's log shows {level} at {first['window']} nm "
                     f"{(first['utc'] - low[run]) / 60:.0f} min after the run began")  # fmt: skip
        firsts.append(int(context.order[after].min()))
        lasts.append(int(context.order[context.run == run].max()))
    return wording.of_runs(
        context, "source-changed", np.array(hits, "int64"), texts,
        first_order=firsts, last_order=lasts,
    )  # fmt: skip
