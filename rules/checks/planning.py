"""Checks of the plan against what was measured: lengths and tests that are missing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import WAYS, Context
from rules.checks.registry import check
from rules.columns import Floats, Ints, codes, combined
from rules.references import SECOND_WINDOW

LISTED = 8
"""Links named in one sentence."""


@check("length-same")
def same_length(context: Context) -> pd.DataFrame:
    """Find one planned length on the links of three cables and more: a default, not a length."""
    links = context.plan.links
    table = pd.DataFrame({"length": links["length_m"].to_numpy(), "cable": context.cable})
    counts = table.dropna().groupby("length")["cable"].agg(["size", "nunique"])
    least = context.threshold("length_default_links")
    hit = counts.loc[(counts["size"] >= least) & (counts["nunique"] >= 3)]
    return suspicions.found(
        "length-same", subject=[f"planned length {length:g} m" for length in hit.index],
        message=[f"{n} links of {cables} cables are planned with {length:g} m"
                 for length, n, cables in zip(hit.index, hit["size"], hit["nunique"], strict=True)],
    ) if len(hit) else suspicions.none()  # fmt: skip


@check("length-differs", "length-unit", "length-scope")
def lengths(context: Context) -> pd.DataFrame:
    """Find links whose measured length is not the planned one, or outside the method's scope."""
    links = context.plan.links
    planned = links["length_m"].to_numpy()
    value = context.working["length_m"].to_numpy()
    known = context.single & (context.link >= 0) & ~np.isnan(value)
    measured, shown = _measured(context, known, value)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = measured / planned
        room = np.maximum(
            context.threshold("length_share") * planned, context.threshold("length_m")
        )
        off = np.abs(measured - planned) > room
        low, high = context.threshold("length_unit_low"), context.threshold("length_unit_high")
        feet = off & (((ratio > low) & (ratio < high)) | ((ratio > 1 / high) & (ratio < 1 / low)))
        scope = context.multimode & (planned > context.threshold("length_scope_m"))
    differs, unit = np.flatnonzero(off & ~feet), np.flatnonzero(feet)

    def texts(at: Ints) -> list[str]:
        return [f"measured {measured[k]:.0f} m, planned {planned[k]:.0f} m" for k in at]

    return suspicions.join(
        wording.of_links(context, "length-differs", differs, texts(differs), shown[differs]),
        wording.of_links(context, "length-unit", unit, texts(unit), shown[unit]),
        wording.of_links(
            context, "length-scope", np.flatnonzero(scope),
            [f"planned with {planned[k]:.0f} m of multimode fibre" for k in np.flatnonzero(scope)],
        ),
    )  # fmt: skip


def _measured(context: Context, known: np.ndarray, value: Floats) -> tuple[Floats, Ints]:
    """Return per link the median of its measured lengths, and one row that holds one."""
    count = len(context.plan.links)
    key = np.where(known, context.link, -1)
    rows = np.flatnonzero(known)
    shown = np.full(count, -1, dtype="int64")
    shown[context.link[rows][::-1]] = rows[::-1]
    if not len(rows):
        return np.full(count, np.nan), shown
    return robust.medians(key, value, count), shown


@check("partly-tested")
def partly(context: Context) -> pd.DataFrame:
    """Note planned tests that a few links of a cable lack while most have them."""
    planned = context.planned.loc[context.planned["kind"].isin(("link", ""))]
    if planned.empty or not len(context.lanes):
        return suspicions.none()
    number, names = codes(planned["link_id"])
    link = pd.Index(context.plan.links["link_id"]).get_indexer(pd.Index(names, dtype="str"))[number]
    nm = planned["wavelength_nm"].replace(SECOND_WINDOW).to_numpy()
    lane = np.searchsorted(context.lanes, nm)
    there = context.lanes[np.minimum(lane, len(context.lanes) - 1)] == nm
    lane = np.where(there, lane, 0)
    way_number, way_names = codes(planned["direction"])
    way = np.array([WAYS.get(name, 2) for name in way_names], "int64")[way_number]
    has = there & (context.current[link, lane, way] >= 0)
    group = combined(context.cable[link], nm, way)
    n = np.bincount(group)
    share = np.bincount(group, has) / n
    wanted = (share >= context.threshold("missing_share")) & (share < 1.0)
    lacking = np.flatnonzero(wanted[group] & ~has)
    ids = planned["link_id"].to_numpy(dtype=object)
    rows = []
    for _, part in pd.Series(lacking).groupby(group[lacking]):
        first = int(part.iloc[0])
        names_listed = ", ".join(ids[part.iloc[:LISTED]])
        more = f" and {len(part) - LISTED} more" if len(part) > LISTED else ""
        rows.append(
            (f"cable {context.cable_names[context.cable[link[first]]]} at "
             f"{planned['wavelength_nm'].iloc[first]} nm, {planned['direction'].iloc[first]}",
             f"{len(part)} of {n[group[first]]} links have no reading: {names_listed}{more}")
        )  # fmt: skip
    if not rows:
        return suspicions.none()
    return suspicions.found(
        "partly-tested", subject=[s for s, _ in rows], message=[m for _, m in rows]
    )
