"""Checks across wavelengths of one link: what fibre does, and settings do not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import PAIRS, Context
from rules.checks.expectation import LEAST_SPREAD_DB
from rules.checks.registry import check
from rules.columns import Flags, Floats, Ints


def _long(context: Context, links: Ints, multimode: bool) -> Flags:
    length = context.plan.links["length_m"].to_numpy()[links]
    name = "alike_multimode_m" if multimode else "alike_single_mode_m"
    with np.errstate(invalid="ignore"):
        return np.asarray(length > context.threshold(name))


def _share(context: Context, run: Ints, marked: Flags) -> tuple[Floats, Ints]:
    """Return per run the share of marked rows and the number of rows."""
    n = np.bincount(run, minlength=len(context.runs))
    hits = np.bincount(run, marked, minlength=len(context.runs))
    with np.errstate(invalid="ignore", divide="ignore"):
        return hits / n, n


@check("wavelengths-alike")
def alike(context: Context) -> pd.DataFrame:
    """Find runs that show one loss at both wavelengths of long links: one source for both."""
    found = []
    for low, high, multimode in PAIRS[:2]:
        table = context.across[low, high, multimode]
        table = table.loc[_long(context, table["link"].to_numpy(), multimode)]
        close = table["difference"].abs().round(4) < context.threshold("alike_db")
        share, n = _share(context, table["run"].to_numpy("int64"), close.to_numpy())
        with np.errstate(invalid="ignore"):
            hit = (share > context.threshold("alike_share")) & (
                n >= context.threshold("alike_links")
            )
        runs = np.flatnonzero(hit)
        found.append(
            wording.of_runs(
                context, "wavelengths-alike", runs,
                [f"{share[r]:.0%} of {n[r]} long links lose the same at {low} and {high} nm"
                 for r in runs],
            )
        )  # fmt: skip
    return suspicions.join(*found)


def exchanged(context: Context, table: pd.DataFrame, low: int, high: int) -> Ints:
    """Return the runs in which most links are turned round by as much as their fibre loses.

    A link counts where fibre alone makes the wavelengths differ by more than 0.2 dB, and the
    difference found is nearer to the opposite of the expected than to the expected.
    """
    lanes = context.lane_of(low), context.lane_of(high)
    if None in lanes or table.empty:
        return np.array([], "int64")
    link = table["link"].to_numpy("int64")
    fibre = context.typical[link, lanes[0]] - context.typical[link, lanes[1]]
    with np.errstate(invalid="ignore"):
        tells = fibre > context.threshold("inversion_warn_db")
        turned = table["difference"].to_numpy() > fibre / 2.0
    share, n = _share(context, table["run"].to_numpy("int64")[tells], turned[tells])
    with np.errstate(invalid="ignore"):
        return np.flatnonzero((share > context.threshold("swapped_share"))
                              & (n >= context.threshold("alike_links")))  # fmt: skip


@check("multimode-inversion", "wavelengths-exchanged")
def inversion(context: Context) -> pd.DataFrame:
    """Find runs with exchanged wavelengths, and single multimode links turned round."""
    found = []
    for low, high, multimode in PAIRS[:2]:
        table = context.across[low, high, multimode]
        runs = exchanged(context, table, low, high)
        found.append(
            wording.of_runs(
                context, "wavelengths-exchanged", runs,
                [f"most links lose more at {high} nm than at {low} nm by what the fibre should "
                 "make them lose less"] * len(runs),
            )
        )  # fmt: skip
        if not multimode:
            continue
        table = table.loc[~table["run"].isin(runs)]
        strong = context.threshold("inversion_stop_db")
        hit = table.loc[table["difference"].round(4) > context.threshold("inversion_warn_db")]
        found.append(
            wording.of_readings(
                context, "multimode-inversion", hit["high"].to_numpy("int64"),
                [f"{context.loss[b]:.2f} dB at {high} nm, {context.loss[a]:.2f} dB at {low} nm"
                 for a, b in zip(hit["low"], hit["high"], strict=True)],
                severity=np.where(hit["difference"].round(4) > strong, "stop", "check"),
            )
        )  # fmt: skip
    return suspicions.join(*found)


@check("bend")
def bend(context: Context) -> pd.DataFrame:
    """Find single-mode links that lose more at the long wavelength than fibre and neighbours."""
    found = []
    for low, high, multimode in PAIRS[1:]:
        table = context.across[low, high, multimode]
        if table.empty:
            continue
        table = table.loc[~table["run"].isin(exchanged(context, table, low, high))]
        link = table["link"].to_numpy("int64")
        lanes = context.lane_of(low), context.lane_of(high)
        fibre = np.nan_to_num(context.typical[link, lanes[0]] - context.typical[link, lanes[1]])
        over = table["difference"].to_numpy() + fibre
        cable = context.cable[link]
        groups = int(context.cable.max(initial=0)) + 1
        centre = np.maximum(robust.medians(cable, over, groups), 0.0)
        spread = np.fmax(robust.spreads(cable, over, groups, centre), LEAST_SPREAD_DB)
        far = over - centre[cable]
        limit = context.threshold("bend_score") * spread[cable]
        hit = (np.round(far, 4) > context.threshold("bend_db")) & (far > limit)
        part = table.loc[hit]
        found.append(
            wording.of_readings(
                context, "bend", part["high"].to_numpy("int64"),
                [f"{context.loss[b]:.2f} dB at {high} nm, {context.loss[a]:.2f} dB at {low} nm: "
                 f"{e:.2f} dB more than the fibre and its cable explain"
                 for a, b, e in zip(part["low"], part["high"], far[hit], strict=True)],
            )
        )  # fmt: skip
    return suspicions.join(*found)


@check("wavelength-foreign")
def foreign(context: Context) -> pd.DataFrame:
    """Find readings at a wavelength that the link's fibre is not tested at."""
    nm = context.working["wavelength_nm"].to_numpy()
    fits = {mode: np.zeros(len(nm), dtype="bool") for mode in (True, False)}
    for window in context.settings.windows:
        inside = (nm >= window.low_nm) & (nm <= window.high_nm)
        for mode, name in ((True, "multimode"), (False, "single-mode")):
            if window.mode in (name, "any"):
                fits[mode] |= inside
    if not len(context.multimode):
        return suspicions.none()
    right = np.where(context.multimode[context.link], fits[True], fits[False])
    rows = np.flatnonzero(~np.isnan(context.loss) & ~right)
    fibre = context.plan.links["fibre_type"].iloc[context.link[rows]]
    return wording.of_readings(
        context, "wavelength-foreign", rows,
        [f"{nm[r]} nm on {name} fibre" for r, name in zip(rows, fibre, strict=True)],
    )  # fmt: skip
