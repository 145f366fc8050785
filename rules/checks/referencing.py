"""Checks of references: there at all, in force, fresh, steady; and of the test cords."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import references, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Flags, Floats, distinct, ranked, spans


def by_track(
    context: Context, marked: Flags, code: str, sentence: str, **more: object
) -> pd.DataFrame:
    """Make one finding per run and wavelength from the marked readings (`{n}` in the sentence)."""
    rows = np.flatnonzero(marked)
    if not len(rows):
        return suspicions.none()
    track = context.run[rows] * len(context.lanes) + context.lane[rows]
    number, tracks = ranked(track), distinct(track)
    first, last = spans(number, context.order[rows], len(tracks))
    return wording.of_runs(
        context, code, tracks // len(context.lanes),
        [sentence.format(n=n) for n in np.bincount(number)], tracks % len(context.lanes),
        first_order=first, last_order=last, **more,
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


def _by_run(context: Context) -> Floats:
    """Return the reference in dBm of each run and lane (runs × lanes), NaN without one."""
    working = context.working
    stored, recorded = (working[n].to_numpy() for n in ("reference_dbm", "recorded_dbm"))
    value = np.where(np.isnan(stored), recorded, stored)
    there = context.of_links & ~np.isnan(value)
    out = np.full((len(context.runs), len(context.lanes)), np.nan)
    # within a run and wavelength the reference is one value: any row shows it
    out[context.run[there], context.lane[there]] = value[there]
    return out


@check("reference-range")
def out_of_range(context: Context) -> pd.DataFrame:
    """Find references that the source, by the register, cannot have given."""
    sources = {i.serial: i for i in context.settings.instruments if i.kind == "source"}
    if not sources:
        return suspicions.none()
    table = _by_run(context)
    hits, lanes, texts = [], [], []
    for run, serial in enumerate(context.runs["source_serial"]):
        source = sources.get(serial)
        if source is None:
            continue
        low = -np.inf if source.minimum_dbm is None else source.minimum_dbm
        high = np.inf if source.maximum_dbm is None else source.maximum_dbm
        for lane in np.flatnonzero((table[run] < low) | (table[run] > high)):
            hits.append(run)
            lanes.append(lane)
            texts.append(f"{table[run, lane]:.2f} dBm; source {serial} gives from {low:g} to "
                         f"{high:g} dBm")  # fmt: skip
    return wording.of_runs(
        context, "reference-range", np.array(hits, "int64"), texts, np.array(lanes, "int64")
    )


@check("references-equal")
def equal(context: Context) -> pd.DataFrame:
    """Find runs whose references at two wavelengths are the same."""
    table = _by_run(context)
    lanes = len(context.lanes)
    hits, texts = [], []
    for first in range(lanes):
        for second in range(first + 1, lanes):
            with np.errstate(invalid="ignore"):
                apart = np.abs(table[:, first] - table[:, second])
                same = np.round(apart, 4) < context.threshold("references_equal_db")
            for run in np.flatnonzero(same):
                hits.append(run)
                one, two = wording.nm_of(
                    context, np.array([run, run]), np.array([first, second])
                )  # fmt: skip
                texts.append(
                    f"{table[run, first]:.2f} dBm at {one} nm and "
                    f"{table[run, second]:.2f} dBm at {two} nm"
                )
    return wording.of_runs(context, "references-equal", np.array(hits, "int64"), texts)  # fmt: skip


@check("reference-drift", "closing-missing", "cord-check-high", "cord-check-missing")
def sheet_checks(context: Context) -> pd.DataFrame:
    """Find closing and cord checks on run sheets that are too large, or not there."""
    runs = context.runs.assign(number=np.arange(len(context.runs)))
    runs = runs.loc[runs["sheet_id"] != "", ["sheet_id", "number", "cord_grade"]]
    checks = runs.merge(context.run_sheets.checks, on="sheet_id")
    parts = [_drifted(context, checks), _cords(context, checks.loc[checks["kind"] == "cord"])]
    for kind, code in (("closing", "closing-missing"), ("cord", "cord-check-missing")):
        without = runs.loc[~runs["sheet_id"].isin(checks.loc[checks["kind"] == kind, "sheet_id"])]
        parts.append(
            wording.of_runs(
                context, code, without["number"].to_numpy("int64"),
                [f"run sheet {sheet} holds no {kind} check" for sheet in without["sheet_id"]],
            )
        )  # fmt: skip
    return suspicions.join(*parts)


def _drifted(context: Context, checks: pd.DataFrame) -> pd.DataFrame:
    """Compare closing checks with the references above them: a loss, or a power to compare."""
    key = ["number", "window"]
    if not (checks["kind"] == "closing").any():
        return suspicions.none()
    checks = checks.assign(window=references.window_key(checks["wavelength_nm"]))
    opening = checks.loc[checks["kind"] == "reference"].sort_values("at", na_position="first")
    opening = opening.groupby(key)["power_dbm"].last().rename("opening_dbm").reset_index()
    closing = checks.loc[checks["kind"] == "closing"].merge(opening, on=key, how="left")
    drift = closing["loss_db"].fillna(closing["opening_dbm"] - closing["power_dbm"]).round(4)
    rules = context.settings.references
    hit = closing.assign(drift=drift).loc[drift.abs() > rules.drift_warn_db]
    stop = hit["drift"].abs() > rules.drift_stop_db
    return wording.of_runs(
        context, "reference-drift", hit["number"].to_numpy("int64"),
        [f"the closing check at {nm} nm shows {drift:+.2f} dB"
         for nm, drift in zip(hit["wavelength_nm"], hit["drift"], strict=True)],
        wavelength_nm=hit["wavelength_nm"], severity=np.where(stop, "stop", "check"),
    )  # fmt: skip


def _cords(context: Context, checks: pd.DataFrame) -> pd.DataFrame:
    multimode = checks["wavelength_nm"].isin((850, 953, 1300))
    limit = np.where(
        checks["cord_grade"] != "reference", context.threshold("cord_standard_db"),
        np.where(multimode, context.threshold("cord_reference_multimode_db"),
                 context.threshold("cord_reference_single_mode_db")),
    )  # fmt: skip
    high = (checks["loss_db"].round(4) > limit).to_numpy()
    hit, allowed = checks.loc[high], limit[high]
    return wording.of_runs(
        context, "cord-check-high", hit["number"].to_numpy("int64"),
        [f"cord to cord {loss:.2f} dB{f' at {nm} nm' if nm else ''}; {most:.2f} dB is usual for "
         f"{grade or 'ordinary'} cords" for loss, nm, most, grade in
         zip(hit["loss_db"], hit["wavelength_nm"], allowed, hit["cord_grade"], strict=True)],
        wavelength_nm=hit["wavelength_nm"],
    )  # fmt: skip


@check("method-changed")
def method_changed(context: Context) -> pd.DataFrame:
    """Find runs whose reference method is not the job's, or else not their meter's usual one."""
    runs = context.runs
    method = runs["reference_method"].to_numpy()
    known = runs.loc[method > 0]
    agreed = context.settings.cords.reference_method
    weight = known.groupby(["meter_serial", "reference_method"])["readings"].sum()
    ordered = weight.sort_values(kind="stable").reset_index()
    usual = ordered.drop_duplicates("meter_serial", keep="last").set_index("meter_serial")
    own = runs["meter_serial"].map(usual["reference_method"]).fillna(0).to_numpy("int64")
    wanted = np.full(len(runs), agreed) if agreed else own
    odd = np.flatnonzero((method > 0) & (wanted > 0) & (method != wanted))
    whose = "agreed for the job" if agreed else "in most runs of this meter"
    return wording.of_runs(
        context, "method-changed", odd,
        [f"{m} cord{'s' * (m > 1)} at the reference, {w} {whose}"
         for m, w in zip(method[odd].tolist(), wanted[odd].tolist(), strict=True)],
    )  # fmt: skip
