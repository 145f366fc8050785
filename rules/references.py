"""References: which one was in force for each reading, and the loss that follows from it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import clocks, suspicions
from rules.columns import Flags, Floats, Groups, Ints, codes, combined, few, numbers, starts
from rules.evaluation import RunSheets
from rules.settings import Settings

SECOND_WINDOW = {1310: 1300}
"""Meters and papers name the one window around 1300 nm either way."""
POSITIONS = (0, 1, 2)
FROM = ("", "dump", "run-sheet", "stored")
NOTHING, DUMP, SHEET, STORED = range(4)


def apply(
    working: pd.DataFrame, runs: pd.DataFrame, run_sheets: RunSheets, settings: Settings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give power readings their loss, and every reading the reference that was in force.

    Adds `reference_age_h` (NaN unless both times are known), `reference_from` and
    `recorded_dbm` (the reference record in force, NaN without one); fills `reference_dbm` and, for
    power, `loss_db` = reference − power where a record is in force. A record counts when it is of
    the same meter, wavelength, fibre and source, and the latest before the reading; a run sheet's
    references count for its own readings. Returns (working, FOUND).
    """
    if working.empty:
        blank = working["loss_db"]
        return (working.assign(reference_age_h=blank, recorded_dbm=blank,
                               reference_from=working["label"]), suspicions.none())  # fmt: skip
    source = _sources(working, runs)
    utc = working["utc_s"].to_numpy()
    at, value, when = _from_dumps(working, source)
    paper_at, paper_value, paper_when = _from_sheets(working, run_sheets, settings)
    paper = (paper_at >= 0) & (paper_at > at)
    recorded = np.where(paper, paper_value, np.where(at >= 0, value, np.nan))
    time = np.where(paper, paper_when, when)

    quantity = working["quantity"]
    measured = quantity.isin(("power", "attenuation")).to_numpy()
    recorded = np.where(measured, recorded, np.nan)
    there = np.isfinite(recorded)
    stored = working["reference_dbm"].to_numpy()
    has_stored = measured & np.isfinite(stored)
    agrees = ~has_stored | (_apart(stored, recorded) <= settings.references.agreement_db)
    origin = np.where(there & agrees, np.where(paper, SHEET, DUMP),
                      np.where(has_stored, STORED, NOTHING))  # fmt: skip
    reference = np.where(has_stored | ~measured, stored, recorded)
    power = working["power_dbm"].to_numpy()
    is_power = (quantity == "power").to_numpy()
    lost = is_power & (working["state"] == "ok").to_numpy()
    loss = np.where(lost, reference - power, working["loss_db"].to_numpy())
    loss[is_power & ~lost] = np.nan
    age = np.where(there, (utc - time) / 3600.0, np.nan)
    out = working.assign(
        reference_dbm=reference, loss_db=np.round(loss, 6), reference_age_h=age,
        recorded_dbm=recorded, reference_from=few(FROM, origin, working.index),
    )  # fmt: skip
    return out, _findings(out, has_stored & there & ~agrees, settings)


def _apart(first: Floats, second: Floats) -> Floats:
    # values are stored in hundredths or thousandths; what binary adds is not a difference
    return np.asarray(np.round(np.abs(first - second), 4), dtype="float64")


def window_key(wavelength_nm: pd.Series) -> Ints:
    """Return wavelengths with 1300 and 1310 nm as one."""
    nm = wavelength_nm.to_numpy()
    for named, window in SECOND_WINDOW.items():
        nm = np.where(nm == named, window, nm)
    return nm


def _sources(working: pd.DataFrame, runs: pd.DataFrame) -> pd.Series:
    """Return each reading's source: its own, else its run's."""
    own = working["source_serial"]
    if not len(runs) or not (own == "").any():
        return own
    by_run = runs.set_index("run_id")["source_serial"]
    number, runs_named = codes(working["run_id"])
    said, names = codes(own)
    source = np.where((own == "").to_numpy(), len(names) + number, said)
    return few([*names, *by_run.reindex(runs_named).fillna("")], source, working.index)


def _from_dumps(working: pd.DataFrame, source: pd.Series) -> tuple[Ints, Floats, Floats]:
    """Return per reading the order, dBm and time of the reference record in force in its dumps."""
    kept = (working["quantity"] == "reference") & (working["duplicate_of"] == "")
    kept &= working["reference_dbm"].notna() & (working["state"] == "ok")
    rows = np.flatnonzero(kept.to_numpy())
    absent = np.full(len(working), -1, dtype="int64")
    if not len(rows):
        return absent, absent.astype("float64"), absent.astype("float64")
    meter = clocks.meter_codes(working, numbers(working["dump_sha256"], sort=True))
    window = window_key(working["wavelength_nm"])
    order = working["order"].to_numpy()
    position = working["fibre_position"].to_numpy()
    # a reference without a fibre position stands for every fibre of the meter
    event = np.repeat(rows, len(POSITIONS))
    event_position = np.tile(POSITIONS, len(rows)).astype("int64")
    fits = (position[event] == 0) | (position[event] == event_position)
    event, event_position = event[fits], event_position[fits]
    key = combined(
        np.concatenate([meter, meter[event]]), np.concatenate([window, window[event]]),
        np.concatenate([position, event_position]),
    )  # fmt: skip
    latest = _latest(key, np.concatenate([order, order[event]]), len(working))
    held = np.where(latest >= 0, event[latest], -1)
    number, names = codes(source)
    blank = np.array([name == "" for name in names], dtype="bool")[number]
    other = (number[held] != number) & ~blank[held] & ~blank
    held[(held >= 0) & other] = -1
    found = held >= 0
    return (
        np.where(found, order[held], -1),
        np.where(found, working["reference_dbm"].to_numpy()[held], np.nan),
        np.where(found, working["utc_s"].to_numpy()[held], np.nan),
    )


def _latest(key: Ints, order: Ints, readings: int) -> Ints:
    """Return for each of the first `readings` rows the last of the further rows at or before it.

    Rows are matched by key; further rows are numbered from 0; −1 where there is none.
    """
    further = np.arange(len(key)) >= readings
    rows = np.lexsort((~further, order, key))
    begins = starts(key[rows])
    place = np.arange(len(rows))
    last = np.maximum.accumulate(np.where(further[rows], place, -1))
    first = np.maximum.accumulate(np.where(begins, place, 0))
    hit = np.where(last >= first, rows[last] - readings, -1)
    out = np.empty(len(rows), dtype="int64")
    out[rows] = hit
    return out[:readings]


def _from_sheets(
    working: pd.DataFrame, run_sheets: RunSheets, settings: Settings
) -> tuple[Ints, Floats, Floats]:
    """Return per reading the order, dBm and time of the reference on its run sheet."""
    at = np.full(len(working), -1, dtype="int64")
    value, when = at.astype("float64"), np.full(len(working), np.nan)
    checks = run_sheets.checks
    checks = checks.loc[(checks["kind"] == "reference") & checks["power_dbm"].notna()]
    checks = checks.sort_values(["sheet_id", "wavelength_nm", "at", "power_dbm"],
                                na_position="first")  # fmt: skip
    if checks.empty:
        return at, value, when
    sheet = Groups(working["sheet_id"])
    window = window_key(working["wavelength_nm"])
    utc, order = working["utc_s"].to_numpy(), working["order"].to_numpy()
    for row, wanted in zip(checks.to_dict("records"), window_key(checks["wavelength_nm"]),
                           strict=True):  # fmt: skip
        inside = sheet.rows(row["sheet_id"])
        inside = inside[window[inside] == wanted]
        moment = np.nan
        if not pd.isna(row["at"]):
            moment = clocks.local_to_utc(row["at"], settings.timezone)
            # papers give minutes: a reading in the same minute comes after
            inside = inside[np.isnan(utc[inside]) | (utc[inside] > moment - 60.0)]
        if len(inside):
            at[inside] = (
                order[inside].min()
                if np.isnan(moment)
                else _order_at(order[inside], utc[inside], moment)
            )
            value[inside], when[inside] = row["power_dbm"], moment
    return at, value, when


def _order_at(order: Ints, utc: Floats, moment: float) -> int:
    later = order[utc > moment - 60.0]
    return int(later.min()) if len(later) else int(order.min())


def _findings(working: pd.DataFrame, differs: Flags, settings: Settings) -> pd.DataFrame:
    """Find losses that do not follow from reference and power, and references not in force."""
    agreement = settings.references.agreement_db
    rows = working.loc[
        (working["quantity"] == "attenuation") & (working["state"] == "ok")
        & working["power_dbm"].notna() & working["reference_dbm"].notna()
    ]  # fmt: skip
    off = _apart(
        rows["loss_db"].to_numpy(), rows["reference_dbm"].to_numpy() - rows["power_dbm"].to_numpy()
    )
    wrong = rows.loc[off > agreement]
    mismatch = suspicions.found(
        "reference-mismatch",
        subject=[f"reading “{label}” at {nm} nm" for label, nm in
                 zip(wrong["label"], wrong["wavelength_nm"], strict=True)],
        reading_id=wrong["reading_id"], run_id=wrong["run_id"],
        wavelength_nm=wrong["wavelength_nm"],
        message=[
            f"stored loss {loss:.2f} dB, but reference {reference:.2f} dBm less power {power:.2f} "
            f"dBm is {reference - power:.2f} dB"
            for loss, reference, power in zip(
                wrong["loss_db"], wrong["reference_dbm"], wrong["power_dbm"], strict=True
            )
        ],
    )  # fmt: skip
    return suspicions.join(mismatch, _not_in_force(working.loc[differs]))


def _not_in_force(rows: pd.DataFrame) -> pd.DataFrame:
    if rows.empty:
        return suspicions.none()
    groups = rows.groupby(["run_id", "wavelength_nm"], sort=True)
    table = groups.agg(
        n=("record", "size"), stored=("reference_dbm", "median"), kept=("recorded_dbm", "median"),
        first=("order", "min"), last=("order", "max"),
    ).reset_index()  # fmt: skip
    return suspicions.found(
        "reference-other",
        subject=[f"run {run} at {nm} nm" for run, nm in
                 zip(table["run_id"], table["wavelength_nm"], strict=True)],
        run_id=table["run_id"], wavelength_nm=table["wavelength_nm"],
        first_order=table["first"], last_order=table["last"],
        message=[
            f"{n} losses were stored against {stored:.2f} dBm; the reference kept for them is "
            f"{kept:.2f} dBm"
            for n, stored, kept in zip(table["n"], table["stored"], table["kept"], strict=True)
        ],
    )  # fmt: skip
