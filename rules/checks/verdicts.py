"""Checks of grades: against the meter's own verdict, close to the limit, passing but poor."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks import wording
from rules.checks.basis import WAYS
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import codes, joined

PASSED = ("pass", "conditional-pass")
FAILED = ("fail", "conditional-fail")


@check("verdict-differs", after=True)
def differs(context: Context) -> pd.DataFrame:
    """Find readings that the meter passed and we fail, or the other way round."""
    own = context.working["verdict"]
    rows = np.flatnonzero((own.isin(("pass", "fail")) & context.single).to_numpy())
    if not len(rows) or context.grades.empty:
        return suspicions.none()
    graded = context.grades.loc[context.grades["grade"].isin((*PASSED, *FAILED))]
    one = graded["reading_ids"].str.slice(2, -2)
    passed = graded["grade"].isin(PASSED)
    ours = pd.Series(passed.to_numpy(), index=pd.Index(one)).groupby(level=0).all()
    at = ours.index.get_indexer(pd.Index(context.working["reading_id"].iloc[rows]))
    rows, at = rows[at >= 0], at[at >= 0]
    meter = (own.iloc[rows] == "pass").to_numpy()
    wrong = meter != ours.to_numpy()[at]
    hit = rows[wrong]
    return wording.of_readings(
        context, "verdict-differs", hit,
        [f"{context.loss[r]:.2f} dB: the meter says {'pass' if m else 'fail'}, the limit of this "
         f"job {'fail' if m else 'pass'}" for r, m in zip(hit, meter[wrong], strict=True)],
    )  # fmt: skip


@check("marginal", after=True)
def marginal(context: Context) -> pd.DataFrame:
    """Note current results whose margin is within the uncertainty."""
    grades = context.grades
    near = grades["marginal"].to_numpy() & (grades["grade"] != "superseded").to_numpy()
    named = ["link_id", "wavelength_nm", "direction", "reading_ids", "margin_db", "uncertainty_db"]
    table = grades[named].take(np.flatnonzero(near))
    margin = wording.printed(table["margin_db"], "{:+.2f}")
    uncertainty = wording.printed(table["uncertainty_db"], "{:.2f}")
    return wording.of_results(
        context, "marginal", table,
        joined("margin ", margin, " dB, uncertainty ", uncertainty, " dB (k = 2)"),
    )  # fmt: skip


@check("poor-pass", after=True)
def poor(context: Context) -> pd.DataFrame:
    """Note links that pass and lose far more than length, connections and splices explain."""
    limit = context.threshold("poor_db")
    with np.errstate(invalid="ignore"):
        high = np.flatnonzero(np.round(context.excess, 4) > limit)
    if not len(high) or context.grades.empty:
        return suspicions.none()
    links = context.link_ids[context.link[high]]
    table = context.grades.loc[
        context.grades["grade"].isin(PASSED) & context.grades["link_id"].isin(links)
    ]
    number, names = codes(table["direction"])
    way = np.array([WAYS.get(name, 2) for name in names], "int64")[number]
    link = pd.Index(context.plan.links["link_id"]).get_indexer(
        pd.Index(table["link_id"].astype("str"))
    )
    lane = np.searchsorted(context.lanes, table["wavelength_nm"].replace({1310: 1300}).to_numpy())
    row = context.current[link, np.minimum(lane, len(context.lanes) - 1), way]
    row = row[row >= 0]
    row = np.intersect1d(row, high)
    return wording.of_readings(
        context, "poor-pass", row,
        [f"{context.loss[r]:.2f} dB; {context.expected[r]:.2f} dB would be usual" for r in row],
    )  # fmt: skip
