"""Plants the faults of a crew's day into a sound job, one or two at a time, from a seed.

Each fault changes what was kept (readings, run sheets, plan or register) and says which readings
it touched and under which finding codes it may be found. Sizes are large by the thresholds that
the checks state.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rules.evaluation import Plan, RunSheets
from tests.rules.clean_job import Job

Rng = np.random.Generator


@dataclass(frozen=True)
class Planted:
    """What a fault touched."""

    rows: frozenset[str]
    """Reading ids; empty where the fault is of the job as a whole."""
    codes: tuple[str, ...]
    """Any of these findings on any of the readings counts as found."""


Fault = Callable[[Job, Rng], tuple[Job, Planted]]
FAULTS: dict[str, Fault] = {}


def fault(name: str) -> Callable[[Fault], Fault]:
    def register(function: Fault) -> Fault:
        FAULTS[name] = function
        return function

    return register


# choosing where


def _link_with_room(job: Job, rng: Rng) -> np.ndarray:
    """Choose a link whose limit leaves room for a poor result; return all its readings."""
    links = job.plan.links
    link = str(rng.choice(links.loc[links["connections"] > 2, "link_id"]))
    return np.flatnonzero((job.stored["true_link"] == link).to_numpy())


def _visits(job: Job, fibre: str = "") -> list[str]:
    quantity = {"OS2": "power", "OM4": "attenuation"}.get(fibre)
    rows = job.stored if quantity is None else job.stored[job.stored["quantity"] == quantity]
    return sorted(set(rows["visit"]) - {""})


def _visit(job: Job, rng: Rng, fibre: str = "", long: bool = False) -> np.ndarray:
    """Choose a visit; return the positions of its readings (no references) in their order."""
    visits = _visits(job, fibre)
    if long:
        length = job.plan.links.groupby("cable")["length_m"].first()
        visits = [v for v in visits if length[v.split()[0]] > 3100]
    visit = str(rng.choice(visits))
    stored = job.stored
    rows = np.flatnonzero(
        ((stored["visit"] == visit) & (stored["quantity"] != "reference")).to_numpy()
    )
    return rows[np.argsort(stored["slot"].to_numpy()[rows], kind="stable")]


def _records(job: Job, rows: np.ndarray) -> np.ndarray:
    """Return the place of each row's record within the visit, from 0."""
    return pd.factorize(job.stored["slot"].to_numpy()[rows])[0]


def _planted(job: Job, rows: np.ndarray, *codes: str) -> Planted:
    return Planted(frozenset(job.stored["reading_id"].iloc[rows]), codes)


# changing what was kept


def _set(job: Job, rows: np.ndarray, **columns: object) -> Job:
    stored = job.stored.copy()
    for name, value in columns.items():
        column = stored[name].to_numpy(dtype=object if stored[name].dtype == "str" else None).copy()
        column[rows] = value
        stored[name] = pd.Series(column, index=stored.index).astype(stored[name].dtype)
    return job.with_stored(stored)


def _add_loss(job: Job, rows: np.ndarray, extra: object) -> Job:
    """Add dB to losses, and take it from powers."""
    stored = job.stored
    extra = np.broadcast_to(np.asarray(extra, dtype="float64"), (len(rows),))
    loss = (stored["loss_db"].to_numpy()[rows] + extra).round(2)
    power = (stored["power_dbm"].to_numpy()[rows] - extra).round(2)
    return _set(job, rows, loss_db=loss, power_dbm=power)


def _loss(job: Job, rows: np.ndarray) -> np.ndarray:
    return job.stored["true_loss_db"].to_numpy()[rows]


def _set_loss(job: Job, rows: np.ndarray, loss: np.ndarray) -> Job:
    return _add_loss(job, rows, np.asarray(loss) - _loss(job, rows))


def _sheet_of(job: Job, rows: np.ndarray) -> str:
    return f"sheet {job.stored['visit'].iloc[rows[0]]}"


def _sheets(job: Job, sheet: str, **columns: object) -> Job:
    sheets = job.sheets.sheets.copy()
    for name, value in columns.items():
        sheets.loc[sheets["sheet_id"] == sheet, name] = value
    return replace(job, sheets=RunSheets(sheets, job.sheets.checks))


def _checks(job: Job, sheet: str, kind: str, **columns: object) -> Job:
    checks = job.sheets.checks.copy()
    rows = (checks["sheet_id"] == sheet) & (checks["kind"] == kind)
    for name, value in columns.items():
        checks.loc[rows, name] = value
    return replace(job, sheets=RunSheets(job.sheets.sheets, checks))


def _without_checks(job: Job, sheet: str, kind: str) -> Job:
    checks = job.sheets.checks
    kept = checks.loc[~((checks["sheet_id"] == sheet) & (checks["kind"] == kind))]
    return replace(job, sheets=RunSheets(job.sheets.sheets, kept.reset_index(drop=True)))


def _shift_clock(job: Job, rows: np.ndarray, by: object) -> Job:
    return _set(job, rows, taken_at=job.stored["taken_at"].iloc[rows] + by)


def _dump_of(job: Job, rows: np.ndarray) -> np.ndarray:
    dump = job.stored["dump_sha256"].iloc[rows[0]]
    return np.flatnonzero((job.stored["dump_sha256"] == dump).to_numpy())


def _register(job: Job, serial: str, **fields: object) -> Job:
    instruments = tuple(
        replace(i, **fields) if i.serial == serial else i for i in job.settings.instruments
    )
    return replace(job, settings=replace(job.settings, instruments=instruments))


def _links(job: Job, links: pd.DataFrame) -> Job:
    return replace(job, plan=Plan(links, job.plan.revision))


# clocks


@fault("24 clock reset")
def clock_reset(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _dump_of(job, _visit(job, rng))
    first = job.stored["taken_at"].iloc[rows].min()
    job = _shift_clock(job, rows, pd.Timestamp("2000-01-01 00:02:10") - first)
    return job, _planted(job, rows, "clock-reset", "clock-corrected")


@fault("24 clock reset mid-way")
def clock_reset_midway(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    rows = rows[_records(job, rows) >= 8]
    last = job.stored["slot"].iloc[rows].min()
    dump = _dump_of(job, rows)
    rows = dump[job.stored["slot"].to_numpy()[dump] >= last]
    first = job.stored["taken_at"].iloc[rows].min()
    job = _shift_clock(job, rows, pd.Timestamp("2026-01-01 00:01:00") - first)
    return job, _planted(job, rows, "clock-reset")


@fault("26 clock off by an hour")
def clock_hour(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _dump_of(job, _visit(job, rng))
    job = _shift_clock(job, rows, pd.Timedelta(hours=int(rng.choice([-1, 1]))))
    return job, _planted(job, rows, "clock-against-sheet")


@fault("25 clock off by days")
def clock_days(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _dump_of(job, _visit(job, rng))
    job = _shift_clock(job, rows, -pd.Timedelta(days=1))
    return job, _planted(job, rows, "clock-against-sheet", "clock-reset")


@fault("27 day and month exchanged")
def clock_day_order(job: Job, rng: Rng) -> tuple[Job, Planted]:
    meter = str(rng.choice(["M-21", "M-34"]))
    rows = np.flatnonzero((job.stored["meter_serial"] == meter).to_numpy())
    at = job.stored["taken_at"].iloc[rows]
    turned = pd.to_datetime(
        pd.DataFrame({"year": at.dt.year, "month": at.dt.day, "day": at.dt.month}),
        errors="coerce",
    )
    # a clock that another fault has set to a day beyond the 12th reads the same either way
    turned = turned.fillna(at.dt.normalize())
    job = _set(job, rows, taken_at=turned + (at - at.dt.normalize()))
    return job, _planted(
        job, rows, "clock-day-order", "clock-reset", "clock-against-sheet", "clock-corrected"
    )


@fault("28 clock goes back")
def clock_back(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    rows = rows[_records(job, rows) >= 10]
    job = _shift_clock(job, rows, -pd.Timedelta(hours=2))
    return job, _planted(job, rows, "clock-backwards")


@fault("26 the hour that autumn repeats")
def autumn(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    begin = job.stored["taken_at"].iloc[rows].min()
    job = _shift_clock(job, rows, pd.Timestamp("2026-10-25 02:05:00") - begin)
    job = _set(job, _dump_of(job, rows), arrived_at="2026-10-26T12:00:00Z")
    job = _sheets(job, _sheet_of(job, rows), started_at=pd.NaT)
    return job, _planted(job, rows, "clock-autumn-hour")


@fault("25 a dump of another day lies over this one")
def overlapping(job: Job, rng: Rng) -> tuple[Job, Planted]:
    meter = str(rng.choice(["M-21", "M-34"]))
    mine = job.stored.loc[job.stored["meter_serial"] == meter]
    dump = str(rng.choice(sorted(mine["dump_sha256"].unique())[1:]))
    rows = np.flatnonzero((job.stored["dump_sha256"] == dump).to_numpy())
    job = _shift_clock(job, rows, pd.Timedelta(minutes=25) - pd.Timedelta(days=1))
    return job, _planted(job, rows, "clock-overlap")


@fault("29 too fast")
def too_fast(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    place = _records(job, rows)
    begin = int(rng.integers(2, 12))
    chosen = rows[(place >= begin) & (place < begin + 6)]
    first = job.stored["taken_at"].iloc[chosen].min()
    step = pd.to_timedelta((_records(job, chosen)) * 3, unit="s")
    job = _set(job, chosen, taken_at=first + step)
    return job, _planted(job, chosen, "pace")


# people and instruments


@fault("31 nobody named")
def nobody(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _sheets(_set(job, rows, operator="OPER1"), _sheet_of(job, rows), people="")
    return job, _planted(job, rows, "operator-missing")


@fault("32 not on the list")
def stranger(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _sheets(job, _sheet_of(job, rows), people="Iva Kern, Ned Other")
    return job, _planted(job, rows, "operator-unlisted")


@fault("33 meter unknown")
def unknown_meter(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _dump_of(job, _visit(job, rng))
    job = _set(job, rows, meter_serial=str(rng.choice(["", "M-99"])))
    sheets = job.sheets.sheets.copy()
    hit = sheets["dump"].isin(job.stored["dump_name"].iloc[rows])
    sheets.loc[hit, "meter_serial"] = ""
    job = replace(job, sheets=RunSheets(sheets, job.sheets.checks))
    return job, _planted(job, rows, "instrument-missing", "instrument-unlisted")


@fault("34 calibration expired")
def expired(job: Job, rng: Rng) -> tuple[Job, Planted]:
    serial = str(rng.choice(["M-21", "M-34"]))
    rows = np.flatnonzero((job.stored["meter_serial"] == serial).to_numpy())
    job = _register(job, serial, calibrated_on="2025-02-01", due="2026-02-01")
    return job, _planted(job, rows, "calibration-expired")


@fault("34 no certificate")
def uncertain(job: Job, rng: Rng) -> tuple[Job, Planted]:
    serial = str(rng.choice(["M-21", "M-34"]))
    rows = np.flatnonzero((job.stored["meter_serial"] == serial).to_numpy())
    return _register(job, serial, calibrated_on="", due=""), _planted(
        job, rows, "calibration-unknown"
    )


@fault("35 calibrated after the test")
def calibrated_later(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = np.flatnonzero((job.stored["meter_serial"] == "M-21").to_numpy())
    job = _register(job, "M-21", calibrated_on="2026-05-01", due="2027-05-01")
    return job, _planted(job, rows, "calibration-later")


@fault("35 wavelength not on the certificate")
def uncertified(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = np.flatnonzero((job.stored["meter_serial"] == "M-34").to_numpy())
    job = _register(job, "M-34", wavelengths_nm=(850, 1550))
    return job, _planted(job, rows, "wavelength-uncalibrated")


@fault("36 serials exchanged")
def exchanged_serials(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _dump_of(job, _visit(job, rng, "OM4"))
    job = _set(job, rows, meter_serial="S-34", source_serial="M-34")
    return job, _planted(job, rows, "serials-exchanged")


# references and cords


@fault("37 reference missing, power stored")
def no_reference(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")
    job = _without_checks(job, _sheet_of(job, rows), "reference")
    return job, _planted(job, rows, "reference-missing")


@fault("37 reference missing, loss stored")
def no_record(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    gone = (job.stored["quantity"] == "reference").to_numpy()
    planted = np.flatnonzero((job.stored["quantity"] == "attenuation").to_numpy())
    job = job.with_stored(job.stored.loc[~gone].reset_index(drop=True))
    return job, Planted(
        frozenset(job.stored.loc[job.stored["quantity"] == "attenuation", "reading_id"]),
        ("reference-unevidenced",),
    ) if len(planted) and len(rows) else _planted(job, rows)  # fmt: skip


@fault("37 reference that the source cannot give")
def impossible_reference(job: Job, rng: Rng) -> tuple[Job, Planted]:
    job = _register(job, "S-34", minimum_dbm=-12.0, maximum_dbm=-3.0)
    rows = np.flatnonzero((job.stored["quantity"] == "attenuation").to_numpy())
    return job, _planted(job, rows, "reference-range")


@fault("38 one reference for both wavelengths")
def one_reference(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")
    checks = job.sheets.checks
    mine = (checks["sheet_id"] == _sheet_of(job, rows)) & (checks["kind"] == "reference")
    value = float(checks.loc[mine, "power_dbm"].iloc[0])
    job = _checks(job, _sheet_of(job, rows), "reference", power_dbm=value)
    return job, _planted(job, rows, "references-equal")


@fault("39 reference too old")
def old_reference(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")
    begin = job.stored["taken_at"].iloc[rows].min().floor("min")
    hours = float(rng.choice([6.0, 14.0]))
    job = _checks(job, _sheet_of(job, rows), "reference", at=begin - pd.Timedelta(hours=hours))
    return job, _planted(job, rows, "reference-stale")


@fault("40 reference step")
def step(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    chosen = rows[_records(job, rows) >= int(rng.integers(6, 16))]
    job = _add_loss(job, chosen, float(rng.choice([-1, 1])) * float(rng.uniform(0.35, 0.8)))
    return job, _planted(job, chosen, "reference-step")


@fault("42 reference method changed")
def other_method(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _sheets(_add_loss(job, rows, -0.3), _sheet_of(job, rows), reference_method=2)
    return job, _planted(job, rows, "method-changed")


@fault("42 run shifted")
def run_shift(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _add_loss(job, rows, float(rng.uniform(0.5, 0.9)))
    return job, _planted(job, rows, "run-shifted")


@fault("44 bad cord")
def bad_cord(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _checks(job, _sheet_of(job, rows), "cord", loss_db=0.38)
    return job, _planted(job, rows, "cord-check-high")


@fault("45 reference drifted")
def drifted(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    value = float(rng.choice([0.16, -0.15, 0.35]))
    job = _checks(job, _sheet_of(job, rows), "closing", loss_db=value)
    return job, _planted(job, rows, "reference-drift")


@fault("44 no check of the cords")
def no_cord_check(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _without_checks(job, _sheet_of(job, rows), "cord")
    return job, _planted(job, rows, "cord-check-missing")


@fault("45 no closing check")
def no_closing(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    job = _without_checks(job, _sheet_of(job, rows), "closing")
    return job, _planted(job, rows, "closing-missing")


@fault("46 source not warm")
def cold_source(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    begin = job.stored["taken_at"].iloc[rows].min()
    minutes = (job.stored["taken_at"].iloc[rows] - begin).dt.total_seconds().to_numpy() / 60.0
    extra = 0.7 * np.exp(-minutes / 7.0)
    job = _add_loss(job, rows, extra)
    codes = ("source-warming", "level-trend", "reference-step")
    return job, _planted(job, rows[minutes < 15], *codes)


@fault("47 drift all through a run")
def drift(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    place = _records(job, rows)
    job = _add_loss(job, rows, 0.8 * place / place.max())
    return job, _planted(job, rows, "level-trend", "source-warming", "reference-step")


@fault("48 cord wears out")
def worn(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = np.flatnonzero(
        ((job.stored["meter_serial"] == "M-21") & (job.stored["quantity"] == "power")).to_numpy()
    )
    at = job.stored["taken_at"].to_numpy()[rows]
    place = pd.factorize(at, sort=True)[0]
    job = _add_loss(job, rows, 0.2 * place / 100.0)
    return job, _planted(job, rows, "cord-wear")


@fault("49 dirt for a while")
def dirt(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    place = _records(job, rows)
    begin = int(rng.integers(4, 8))
    chosen = rows[(place >= begin) & (place < begin + 8)]
    job = _add_loss(job, chosen, 0.5)
    return job, _planted(job, chosen, "level-episode")


@fault("50 wrong core size of the cord")
def core(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    job = _add_loss(job, rows, 2.2)
    return job, _planted(job, rows, "core-mismatch")


@fault("78 modulated light")
def half_power(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")
    job = _add_loss(job, rows, 3.01)
    return job, _planted(job, rows, "half-power", "core-mismatch")


# wavelengths


@fault("52 one source for both wavelengths")
def one_source(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2", long=True)
    nm = job.stored["wavelength_nm"].to_numpy()[rows]
    low, high = rows[nm == 1310], rows[nm == 1550]
    job = _set_loss(job, high, _loss(job, low) + rng.normal(0.0, 0.004, len(low)))
    return job, _planted(job, rows, "wavelengths-alike")


@fault("53 wavelengths exchanged")
def exchanged(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2", long=True)
    nm = job.stored["wavelength_nm"].to_numpy()[rows]
    low, high = rows[nm == 1310], rows[nm == 1550]
    swapped = _set_loss(_set_loss(job, low, _loss(job, high)), high, _loss(job, low))
    return swapped, _planted(job, rows, "wavelengths-exchanged")


@fault("53 multimode inversion")
def inversion(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    nm = job.stored["wavelength_nm"].to_numpy()[rows]
    one = int(rng.integers(0, 20))
    low, high = rows[nm == 850][[one]], rows[nm == 1300][[one]]
    job = _set_loss(job, high, _loss(job, low) + 0.6)
    return job, _planted(job, high, "multimode-inversion")


@fault("54 bend")
def bend(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")
    nm = job.stored["wavelength_nm"].to_numpy()[rows]
    high = rows[nm == 1550][[int(rng.integers(0, 20))]]
    job = _add_loss(job, high, 0.7)
    return job, _planted(job, high, "bend")


@fault("55 wavelength of the other mode")
def other_mode(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    nm = job.stored["wavelength_nm"].to_numpy()[rows]
    high = rows[nm == 1300]
    job = _set(job, high, wavelength_nm=1550)
    return job, _planted(job, high, "wavelength-foreign")


# directions


@fault("58 both directions under one name")
def same_way(job: Job, rng: Rng) -> tuple[Job, Planted]:
    visits = [v for v in _visits(job, "OM4") if v.endswith("b-a")]
    visit = str(rng.choice(visits))
    mine = (job.stored["visit"] == visit) & (job.stored["quantity"] == "attenuation")
    rows = np.flatnonzero(mine.to_numpy())
    job = _sheets(_set(job, rows, direction="a-b"), f"sheet {visit}", meter_end="b")
    return job, _planted(job, rows, "direction-doubled")


@fault("59 second direction copied")
def copied(job: Job, rng: Rng) -> tuple[Job, Planted]:
    visit = str(rng.choice([v for v in _visits(job) if v.endswith("b-a")]))
    stored = job.stored
    there = stored[stored["visit"] == visit.replace("b-a", "a-b")]
    value = there.set_index(["true_link", "wavelength_nm"])["true_loss_db"]
    rows = np.flatnonzero(((stored["visit"] == visit) & (stored["true_link"] != "")).to_numpy())
    key = pd.MultiIndex.from_frame(stored.iloc[rows][["true_link", "wavelength_nm"]])
    job = _set_loss(job, rows, value.reindex(key).to_numpy())
    return job, _planted(job, rows, "directions-identical")


@fault("60 directions differ")
def differ(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    chosen = rows[_records(job, rows) == int(rng.integers(0, 20))]
    job = _add_loss(job, chosen, 0.7)
    return job, _planted(job, chosen, "directions-differ", "outlier")


# values


@fault("61 negative")
def negative(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)[[int(rng.integers(0, 30))]]
    job = _set_loss(job, rows, np.array([-0.25]))
    return job, _planted(job, rows, "loss-negative")


@fault("62 exactly zero")
def zero(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)[[int(rng.integers(0, 30))]]
    job = _set_loss(job, rows, np.array([0.0]))
    return job, _planted(job, rows, "loss-zero")


@fault("63 below physics")
def below(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2", long=True)
    nm = job.stored["wavelength_nm"].to_numpy()[rows]
    rows = rows[nm == 1310][[int(rng.integers(0, 20))]]
    job = _set_loss(job, rows, np.array([0.45]))
    return job, _planted(job, rows, "below-physics")


@fault("64 dark")
def dark(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    rows = rows[_records(job, rows) == int(rng.integers(0, 20))]
    job = _set(job, rows, state="no-light", loss_db=np.nan, power_dbm=np.nan)
    return job, _planted(job, rows, "no-light")


@fault("56 a wavelength without a value")
def valueless(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)[[int(rng.integers(0, 30))]]
    job = _set(job, rows, state="not-measured", loss_db=np.nan, power_dbm=np.nan)
    return job, _planted(job, rows, "not-measured")


@fault("65 overload")
def overload(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)[[int(rng.integers(0, 30))]]
    job = _set(job, rows, state="over-range", loss_db=np.nan, power_dbm=np.nan)
    return job, _planted(job, rows, "over-range")


@fault("65 power above the meter's range")
def above_range(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")[[int(rng.integers(0, 30))]]
    job = _set(job, rows, power_dbm=14.0)
    return job, _planted(job, rows, "power-outside-range")


@fault("66 power stored as loss")
def power_as_loss(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    job = _set(job, rows, loss_db=(-20.0 - _loss(job, rows)).round(2))
    return job, _planted(job, rows, "power-as-loss")


@fault("67 units mixed")
def mixed(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    rows = rows[(_records(job, rows) >= 5) & (_records(job, rows) < 9)]
    job = _set(job, rows, loss_db=(-20.0 - _loss(job, rows)).round(2))
    return job, _planted(job, rows, "unit-mixed")


@fault("68 sign turned")
def sign(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    job = _set(job, rows, loss_db=-_loss(job, rows))
    return job, _planted(job, rows, "sign-turned")


@fault("69 decimal mark lost")
def decimal(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    job = _set(job, rows, loss_db=(100.0 * _loss(job, rows)).round())
    return job, _planted(job, rows, "decimal-lost")


@fault("70 rounded")
def rounded(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    job = _set(job, rows, loss_db=_loss(job, rows).round(1))
    return job, _planted(job, rows, "values-coarse")


@fault("71 display held")
def stuck(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    place = _records(job, rows)
    begin = int(rng.integers(2, 14))
    chosen = rows[(place >= begin) & (place < begin + 5)]
    nm = job.stored["wavelength_nm"].to_numpy()[chosen]
    held = {n: _loss(job, chosen[nm == n])[0] for n in np.unique(nm)}
    job = _set_loss(job, chosen, np.array([held[n] for n in nm]))
    return job, _planted(job, chosen, "values-stuck")


@fault("72 invented digits")
def invented(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    digits = rng.choice([3, 5, 7], len(rows)) / 100.0
    job = _set(job, rows, loss_db=(np.floor(_loss(job, rows) * 10) / 10 + digits).round(2))
    job = replace(job, settings=replace(job.settings, thresholds=(
        ("digits_on", 1.0), ("digits_values", 30.0))))  # fmt: skip
    return job, _planted(job, rows, "last-digits")


@fault("2 loss does not follow from reference and power")
def mismatch(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")[[int(rng.integers(0, 30))]]
    job = _set(job, rows, power_dbm=-21.0, reference_dbm=-19.0, loss_db=0.7)
    return job, _planted(job, rows, "reference-mismatch")


@fault("38 stored against another reference")
def other_reference(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    job = _set(job, rows, reference_dbm=-17.77)
    return job, _planted(job, rows, "reference-other")


# cables and plan


@fault("73 outlier")
def outlier(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _link_with_room(job, rng)
    job = _add_loss(job, rows, 1.0)
    return job, _planted(job, rows, "outlier")


@fault("74 cable shifted")
def cable_shift(job: Job, rng: Rng) -> tuple[Job, Planted]:
    cable = str(rng.choice(job.plan.links["cable"].unique()))
    visit = job.stored["visit"].str.startswith(cable + " ")
    rows = np.flatnonzero((visit & (job.stored["true_link"] != "")).to_numpy())
    job = _add_loss(job, rows, 0.7)
    return job, _planted(job, rows, "cable-shifted")


@fault("75 tube worse")
def tube(job: Job, rng: Rng) -> tuple[Job, Planted]:
    cable = str(rng.choice(job.plan.links["cable"].unique()))
    links = job.plan.links
    chosen = links.loc[(links["cable"] == cable) & (links["tube"] == "2"), "link_id"]
    rows = np.flatnonzero(job.stored["true_link"].isin(list(chosen)).to_numpy())
    job = _add_loss(job, rows, 0.9)
    return job, _planted(job, rows, "position-trend", "reference-step")


@fault("76 pair dark")
def pair_dark(job: Job, rng: Rng) -> tuple[Job, Planted]:
    links = job.plan.links
    first = 2 * int(rng.integers(0, len(links) // 2))
    pair = list(links["link_id"].iloc[first : first + 2])
    rows = np.flatnonzero(job.stored["true_link"].isin(pair).to_numpy())
    job = _set(job, rows, state="no-light", loss_db=np.nan, power_dbm=np.nan)
    return job, _planted(job, rows, "pair-dark")


@fault("76 pair exchanged at one end")
def pair_exchanged(job: Job, rng: Rng) -> tuple[Job, Planted]:
    links = job.plan.links
    first = 2 * int(rng.integers(0, len(links) // 2))
    one, two = links["link_id"].iloc[first], links["link_id"].iloc[first + 1]
    stored = job.stored
    high = np.flatnonzero((stored["true_link"] == two).to_numpy())
    job = _add_loss(job, high, 0.8)
    back = stored["visit"].str.endswith("b-a")
    a = np.flatnonzero(((stored["true_link"] == one) & back).to_numpy())
    b = np.flatnonzero(((stored["true_link"] == two) & back).to_numpy())
    low, raised = _loss(job, a), _loss(job, b) + 0.8
    job = _add_loss(_set_loss(job, a, raised), b, low - raised)
    return job, _planted(job, np.concatenate([a, b, high]), "pair-exchanged", "directions-differ")


@fault("81 one length for all")
def one_length(job: Job, rng: Rng) -> tuple[Job, Planted]:
    links = job.plan.links.copy()
    chosen = links["cable"].isin(list(links["cable"].unique()[-4:]))
    links.loc[chosen, "length_m"] = 100.0
    return _links(job, links), Planted(frozenset(), ("length-same",))


@fault("82 feet for metres")
def feet(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    length = job.plan.links.set_index("link_id")["length_m"]
    metres = length.reindex(job.stored["true_link"].iloc[rows]).to_numpy()
    job = _set(job, rows, length_m=(metres * 3.281).round(1))
    return job, _planted(job, rows, "length-unit")


@fault("82 other length")
def other_length(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    length = job.plan.links.set_index("link_id")["length_m"]
    metres = length.reindex(job.stored["true_link"].iloc[rows]).to_numpy()
    job = _set(job, rows, length_m=(metres * 1.3 + 8).round(1))
    return job, _planted(job, rows, "length-differs")


@fault("82 multimode beyond the method's scope")
def too_long(job: Job, rng: Rng) -> tuple[Job, Planted]:
    links = job.plan.links.copy()
    links.loc[links["cable"] == str(rng.choice(_multimode(links))), "length_m"] = 2300.0
    return _links(job, links), Planted(frozenset(), ("length-scope",))


def _multimode(links: pd.DataFrame) -> list[str]:
    return sorted(links.loc[links["fibre_type"] == "OM4", "cable"].unique())


@fault("57 a few links lack a direction")
def partly(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    gone = rows[_records(job, rows) < 3]
    kept = np.setdiff1d(np.arange(len(job.stored)), gone)
    return job.with_stored(job.stored.iloc[kept].reset_index(drop=True)), Planted(
        frozenset(), ("partly-tested",)
    )


# memories and repeats


@fault("92 records lost")
def lost(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    place = _records(job, rows)
    gone = rows[(place >= 6) & (place < 10)]
    dump = _dump_of(job, rows)
    planted = _planted(job, np.setdiff1d(dump, gone), "record-gap")
    kept = np.setdiff1d(np.arange(len(job.stored)), gone)
    return job.with_stored(job.stored.iloc[kept].reset_index(drop=True)), planted


@fault("93 memory cleared too early")
def cleared(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    dump = _dump_of(job, rows)
    slot = job.stored["slot"].to_numpy()
    gone = dump[slot[dump] > slot[dump].max() - 4]
    left = np.setdiff1d(np.arange(len(job.stored)), gone)
    visit = job.stored["visit"].iloc[gone[-1]]
    mine = np.flatnonzero((job.stored["visit"] == visit).to_numpy())
    planted = _planted(job, np.setdiff1d(mine, gone), "sheet-incomplete")
    return job.with_stored(job.stored.iloc[left].reset_index(drop=True)), planted


@fault("14 tested until it passed")
def tries(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    one = rows[_records(job, rows) == int(rng.integers(0, 20))]
    again = [job.stored.iloc[one]]
    for k in (1, 2, 3):
        copy = again[0].copy()
        copy["reading_id"] = copy["reading_id"] + f"x{k}"
        copy["slot"] = copy["record"] = 9000 + k
        copy["line"] = 90000 + 10 * k + np.arange(len(copy))
        copy["taken_at"] = copy["taken_at"] + pd.Timedelta(seconds=20 * k)
        copy["loss_db"] = (copy["loss_db"] - 0.1 * k).clip(0.05)
        again.append(copy)
    stored = pd.concat([job.stored, *again[1:]], ignore_index=True)
    ids = frozenset(pd.concat(again)["reading_id"])
    return job.with_stored(stored), Planted(ids, ("many-tries",))


@fault("40 the source's own log falls")
def source_log(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OS2")
    begin = job.stored["taken_at"].iloc[rows].min()
    minutes = np.arange(-30, 60, 5)
    log = job.stored.iloc[rows[:1]].loc[lambda t: t.index.repeat(len(minutes))].copy()
    log["reading_id"] = [f"log{k}" for k in range(len(minutes))]
    log[["label", "true_link", "visit", "meter_serial"]] = ""
    log["dump_sha256"], log["dump_name"], log["slot"] = "d" * 64, "source.csv", -1
    log["record"] = log["line"] = np.arange(len(minutes)) + 1
    log["taken_at"] = (begin + pd.to_timedelta(minutes, unit="min")).astype("datetime64[s]")
    log["wavelength_nm"], log["power_dbm"] = 1310, np.where(minutes > 15, -7.4, -7.0)
    stored = pd.concat([job.stored, log], ignore_index=True)
    return job.with_stored(stored), _planted(job, rows, "source-changed")


@fault("18 two crews on one cable")
def two_crews(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    copy = job.stored.iloc[rows].copy()
    copy["reading_id"] = copy["reading_id"] + "t"
    copy["dump_sha256"], copy["dump_name"], copy["meter_serial"] = "f" * 64, "other.csv", "M-21"
    copy["taken_at"] = copy["taken_at"] + pd.Timedelta(hours=30)
    copy["loss_db"] = (copy["loss_db"] + rng.normal(0, 0.05, len(copy))).round(2).clip(0.02)
    stored = pd.concat([job.stored, copy], ignore_index=True)
    ids = frozenset(copy["reading_id"]) | frozenset(job.stored["reading_id"].iloc[rows])
    return job.with_stored(stored), Planted(ids, ("two-crews",))


@fault("17 relabelled in a later dump")
def relabelled(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    dump = _dump_of(job, rows)
    copy = job.stored.iloc[dump].copy()
    copy["reading_id"] = copy["reading_id"] + "d"
    copy["dump_sha256"], copy["dump_name"] = "e" * 64, "again.csv"
    copy["arrived_at"] = "2026-06-30T12:00:00Z"
    place = pd.factorize(copy["slot"])[0]
    copy["label"] = np.where((place > 3) & (place < 8), copy["label"] + "X", copy["label"])
    stored = pd.concat([job.stored, copy], ignore_index=True)
    ids = frozenset(job.stored["reading_id"].iloc[dump[(place > 3) & (place < 8)]])
    return job.with_stored(stored), Planted(ids, ("repeat-relabelled",))


# grades


@fault("83 the meter says pass, the limit fail")
def lenient_meter(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    chosen = rows[_records(job, rows) == int(rng.integers(0, 20))]
    job = _add_loss(_set(job, rows, verdict="pass"), chosen, 6.0)
    return job, _planted(job, chosen, "verdict-differs")


@fault("83 the meter says fail, the limit pass")
def strict_meter(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    chosen = rows[_records(job, rows) == int(rng.integers(0, 20))]
    return _set(job, chosen, verdict="fail"), _planted(job, chosen, "verdict-differs")


@fault("84 close to the limit")
def close(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng)
    row = rows[[int(rng.integers(0, 30))]]
    links = job.plan.links.copy()
    mine = links["link_id"] == job.stored["true_link"].iloc[row[0]]
    links.loc[mine, "budget_db"] = _loss(job, row)[0] + float(rng.choice([-0.05, 0.05]))
    return _links(job, links), _planted(job, row, "marginal")


@fault("13 failed, passed later")
def passed_later(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _visit(job, rng, "OM4")
    one = rows[_records(job, rows) == int(rng.integers(0, 20))]
    again = job.stored.iloc[one].copy()
    again["reading_id"] = again["reading_id"] + "n"
    again["slot"] = again["record"] = 9100
    again["line"] = 91000 + np.arange(len(again))
    again["taken_at"] = again["taken_at"] + pd.Timedelta(seconds=20)
    job = _add_loss(job, one, 6.0)
    stored = pd.concat([job.stored, again], ignore_index=True)
    return job.with_stored(stored), Planted(frozenset(again["reading_id"]), ("retest-passed",))


@fault("85 passes, but poor")
def poor(job: Job, rng: Rng) -> tuple[Job, Planted]:
    rows = _link_with_room(job, rng)
    job = _add_loss(job, rows, 0.9)
    return job, _planted(job, rows, "poor-pass")


def plant(job: Job, seed: int, *names: str) -> tuple[Job, list[Planted]]:
    """Plant faults one after the other; a fault may meet what an earlier one has left."""
    rng = np.random.default_rng(seed)
    planted = []
    for name in names:
        job, one = FAULTS[name](job, rng)
        planted.append(one)
    return job, planted
