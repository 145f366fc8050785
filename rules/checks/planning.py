"""Checks of the plan against what was measured: lengths and tests that are missing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Floats, Ints

LISTED = 8
"""Links named in one sentence."""


@check("length-same", plan=True)
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
    # metres to the centimetre: steps of a loss would end at 3 km
    return robust.medians(key, value, count, step=0.01), shown


@check("partly-tested")
def partly(context: Context) -> pd.DataFrame:
    """Note planned tests that a few links of a cable lack while most have them."""
    asked, has = context.asked, context.current >= 0
    cables = len(context.cable_names)
    if not cables or not asked.any():
        return suspicions.none()

    def by_cable(flags: Any) -> Any:
        return np.stack(
            [np.bincount(context.cable, flat, cables) for flat in flags.reshape(len(flags), -1).T],
            axis=1,
        ).reshape(cables, *flags.shape[1:])

    count, tested = by_cable(asked), by_cable(asked & has)
    least = context.threshold("missing_share")
    ids = context.plan.links["link_id"]
    rows = []
    for cable, lane, way in zip(*np.nonzero((tested >= least * count) & (tested < count)),
                                strict=True):  # fmt: skip
        mine = np.flatnonzero(context.cable == cable)
        lacking = mine[asked[mine, lane, way] & ~has[mine, lane, way]]
        listed = ", ".join(ids.iloc[lacking[:LISTED]])
        more = f" and {len(lacking) - LISTED} more" if len(lacking) > LISTED else ""
        nm = context.lanes[lane]
        named = 1310 if nm == 1300 and not context.multimode[lacking[0]] else nm
        rows.append(
            (f"cable {context.cable_names[cable]} at {named} nm{wording.WAY_NAMES[way]}",
             f"{len(lacking)} of {count[cable, lane, way]:.0f} links have no reading: "
             f"{listed}{more}", context.cable_names[cable])
        )  # fmt: skip
    if not rows:
        return suspicions.none()
    return suspicions.found(
        "partly-tested",
        subject=[s for s, _, _ in rows],
        message=[m for _, m, _ in rows],
        cable=[c for _, _, c in rows],
    )
