"""Checks of references: there at all, in force, fresh, steady; and of the test cords."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from rules import references, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Flags, Ints


def by_track(
    context: Context, marked: Flags, code: str, sentence: str, **more: object
) -> pd.DataFrame:
    """Make one finding per run and wavelength from the marked readings (`{n}` in the sentence)."""
    rows = np.flatnonzero(marked)
    if not len(rows):
        return suspicions.none()
    key = context.run[rows] * len(context.lanes) + context.lane[rows]
    table = pd.DataFrame({"key": key, "order": context.order[rows]}).groupby("key")["order"]
    counted = table.agg(["size", "min", "max"])
    tracks = counted.index.to_numpy()
    return wording.of_runs(
        context, code, tracks // len(context.lanes),
        [sentence.format(n=n) for n in counted["size"]], tracks % len(context.lanes),
        first_order=counted["min"], last_order=counted["max"], **more,
    )  # fmt: skip


@check("reference-missing")
def missing(context: Context) -> pd.DataFrame:
    """Find power readings of links to which no reference belongs."""
    working = context.working
    marked = (working["quantity"] == "power").to_numpy() & context.ok & context.of_links
    marked &= np.isnan(working["loss_db"].to_numpy())
    return by_track(
        context, marked, "reference-missing",
        "{n} power levels were stored, and neither dump nor run sheet holds a reference of this "
        "meter, source and wavelength before them",
    )  # fmt: skip


@check("reference-unevidenced")
def unevidenced(context: Context) -> pd.DataFrame:
    """Find stored losses whose reference nobody kept; the job's rule says how grave that is."""
    working = context.working
    marked = ~np.isnan(context.loss) & (working["quantity"] == "attenuation").to_numpy()
    marked &= np.isnan(working["recorded_dbm"].to_numpy())
    return by_track(
        context, marked, "reference-unevidenced",
        "{n} losses were stored and no reference was kept for them",
        severity=context.settings.references.evidence,
    )  # fmt: skip


@check("reference-stale")
def stale(context: Context) -> pd.DataFrame:
    """Find readings taken long after their reference."""
    rules = context.settings.references
    age = np.where(np.isnan(context.loss), np.nan, context.working["reference_age_h"].to_numpy())
    with np.errstate(invalid="ignore"):
        very, old = age > rules.stop_hours, age > rules.warn_hours
    sentence = "{{n}} readings were taken more than {0:g} h after their reference"
    return suspicions.join(
        by_track(context, old & ~very, "reference-stale", sentence.format(rules.warn_hours)),
        by_track(context, very, "reference-stale", sentence.format(rules.stop_hours),
                 severity="stop"),
    )  # fmt: skip


@check("references-equal")
def equal(context: Context) -> pd.DataFrame:
    """Find runs whose references at two wavelengths are the same."""
    working = context.working
    value = np.where(
        np.isnan(working["reference_dbm"].to_numpy()),
        working["recorded_dbm"].to_numpy(),
        working["reference_dbm"].to_numpy(),
    )
    lanes = len(context.lanes)
    key = np.where(context.of_links & ~np.isnan(value), context.run * lanes + context.lane, -1)
    low = np.full(len(context.runs) * lanes, np.nan)
    kept = key >= 0
    # within a run and wavelength the reference is one value: any row shows it
    low[key[kept]] = value[kept]
    table = low.reshape(len(context.runs), lanes)
    hits, texts = [], []
    for first in range(lanes):
        for second in range(first + 1, lanes):
            with np.errstate(invalid="ignore"):
                apart = np.abs(table[:, first] - table[:, second])
                same = np.round(apart, 4) < context.threshold("references_equal_db")
            for run in np.flatnonzero(same):
                hits.append(run)
                texts.append(
                    f"{table[run, first]:.2f} dBm at {context.lanes[first]} nm and "
                    f"{table[run, second]:.2f} dBm at {context.lanes[second]} nm"
                )
    return wording.of_runs(context, "references-equal", np.array(hits, "int64"), texts)  # fmt: skip


@check("reference-drift", "closing-missing", "cord-check-high", "cord-check-missing")
def sheet_checks(context: Context) -> pd.DataFrame:
    """Find closing and cord checks on run sheets that are too large, or not there."""
    found = []
    rules = context.settings.references
    for number, run in enumerate(context.runs.to_dict("records")):
        if not run["sheet_id"]:
            continue
        checks = context.run_sheets.checks
        checks = checks.loc[checks["sheet_id"] == run["sheet_id"]]
        one = np.array([number], "int64")
        closing = checks.loc[checks["kind"] == "closing"]
        for row in closing.to_dict("records"):
            drift = _closing_drift(row, checks)
            if np.isnan(drift) or round(abs(drift), 4) <= rules.drift_warn_db:
                continue
            stop = round(abs(drift), 4) > rules.drift_stop_db
            found.append(
                wording.of_runs(
                    context, "reference-drift", one,
                    [f"the closing check at {row['wavelength_nm']} nm shows {drift:+.2f} dB"],
                    _lane(context, row["wavelength_nm"]), severity="stop" if stop else "check",
                )
            )  # fmt: skip
        cords = checks.loc[checks["kind"] == "cord"]
        found += [_cord_check(context, number, run, row) for row in cords.to_dict("records")]
        for kind, code, there in (
            ("closing check", "closing-missing", len(closing)),
            ("cord check", "cord-check-missing", len(cords)),
        ):
            if not there:
                text = f"run sheet {run['sheet_id']} holds no {kind}"
                found.append(wording.of_runs(context, code, one, [text]))
    return suspicions.join(*found)


def _lane(context: Context, wavelength_nm: int) -> Ints | None:
    lane = context.lane_of(wavelength_nm)
    return None if lane is None else np.array([lane], "int64")


def _closing_drift(row: Mapping[Hashable, Any], checks: pd.DataFrame) -> float:
    """Return the drift in dB: the closing loss, or the reference less the closing power."""
    loss, power = float(row["loss_db"]), float(row["power_dbm"])
    if not np.isnan(loss):
        return loss
    window = references.SECOND_WINDOW
    nm = int(row["wavelength_nm"])
    same = checks["wavelength_nm"].replace(window) == window.get(nm, nm)
    opening = checks.loc[same & (checks["kind"] == "reference"), ["at", "power_dbm"]]
    opening = opening.sort_values("at", na_position="first")
    return float(opening["power_dbm"].iloc[-1]) - power if len(opening) else np.nan


def _cord_check(
    context: Context, number: int, run: Mapping[Hashable, Any], row: Mapping[Hashable, Any]
) -> pd.DataFrame:
    loss, nm = float(row["loss_db"]), int(row["wavelength_nm"])
    limit = context.threshold("cord_standard_db")
    if run["cord_grade"] == "reference":
        multimode = nm in (850, 953, 1300)
        limit = context.threshold(
            "cord_reference_multimode_db" if multimode else "cord_reference_single_mode_db"
        )
    if np.isnan(loss) or round(loss, 4) <= limit:
        return suspicions.none()
    return wording.of_runs(
        context, "cord-check-high", np.array([number], "int64"),
        [f"cord to cord {loss:.2f} dB at {nm} nm; {limit:.2f} dB is usual for "
         f"{run['cord_grade'] or 'ordinary'} cords"],
    )  # fmt: skip


@check("method-changed")
def method_changed(context: Context) -> pd.DataFrame:
    """Find runs whose reference method differs from the one most readings were taken with."""
    known = context.runs.loc[context.runs["reference_method"] > 0]
    if known["reference_method"].nunique() < 2:
        return suspicions.none()
    weight = known.groupby("reference_method")["readings"].sum()
    usual = int(weight.sort_values(kind="stable").index[-1])
    odd = np.flatnonzero(
        (context.runs["reference_method"] > 0) & (context.runs["reference_method"] != usual)
    )
    methods = context.runs["reference_method"].iloc[odd]
    return wording.of_runs(
        context, "method-changed", odd,
        [f"{m} cord{'s' * (m > 1)} at the reference, {usual} in most of the job" for m in methods],
    )  # fmt: skip
