"""A sound job of 500 links, made up reading by reading: the ground on which faults are planted.

Two crews: single-mode cables are stored as power, their references stand on run sheets; multimode
cables are stored as loss, their references in the dump. Every link is tested both ways at two
wavelengths. Losses follow from length, connections and splices with the spread of real work:
connections differ (gamma, mean 0.2 dB), matings repeat to 0.05 dB, the source wanders a little.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from rules import tables
from rules.evaluation import Decisions, Plan, RunSheets
from rules.settings import Cords, Instrument, Settings

CABLES = [("OS2", 24)] * 12 + [("OM4", 24)] * 8 + [("OM4", 20)]
FIBRE = {("OS2", 1310): (0.335, 0.01), ("OS2", 1550): (0.195, 0.008),
         ("OM4", 850): (2.4, 0.15), ("OM4", 1300): (0.55, 0.08)}  # fmt: skip
WAVELENGTHS = {"OS2": (1310, 1550), "OM4": (850, 1300)}
METERS = {"OS2": "M-21", "OM4": "M-34"}
SOURCES = {"OS2": "S-21", "OM4": "S-34"}
PEOPLE = {"OS2": "Iva Kern, Jon Pell", "OM4": "Ada Wirt, Tom Bard"}
VISITS_A_DAY = 6

SETTINGS = Settings(
    name="clean job", timezone="Europe/Vienna", directions="both", started_on="2026-03-01",
    limits=("tia-568.3-d",),
    cords=Cords("reference", 1), operators=("Iva Kern", "Jon Pell", "Ada Wirt", "Tom Bard"),
    instruments=tuple(
        Instrument(serial, kind, calibrated_on="2025-11-03", due="2026-11-03",
                   minimum_dbm=-60.0, maximum_dbm=10.0,
                   wavelengths_nm=(850, 1300, 1310, 1550) if kind == "meter" else ())
        for serial, kind in (("M-21", "meter"), ("M-34", "meter"), ("S-21", "source"),
                             ("S-34", "source"))
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Job:
    """Everything a job keeps, and the truth: which link each reading is of."""

    plan: Plan
    stored: pd.DataFrame
    """STORED, spelled, and `true_link`, `visit` (cable, way), `true_loss_db`."""
    sheets: RunSheets
    settings: Settings
    decisions: Decisions = field(default_factory=Decisions)

    def with_stored(self, stored: pd.DataFrame) -> Job:
        return replace(self, stored=stored)


def plan(rng: np.random.Generator, cables: list[tuple[str, int]]) -> pd.DataFrame:
    parts = []
    for number, (fibre, strands) in enumerate(cables):
        length = rng.uniform(3200, 6000) if fibre == "OS2" and number % 2 == 0 else (
            rng.uniform(150, 2500) if fibre == "OS2" else rng.uniform(40, 550))  # fmt: skip
        strand = np.arange(1, strands + 1)
        name = f"K{number + 1:02d}"
        parts.append(
            pd.DataFrame(
                {
                    "link_id": [f"{name}-{s:02d}" for s in strand], "kind": "link", "cable": name,
                    "a_end": [f"{name}A:{s}" for s in strand],
                    "b_end": [f"{name}B:{s}" for s in strand],
                    "strand": strand.astype(str), "tube": ((strand - 1) // 12 + 1).astype(str),
                    "pair": ((strand - 1) // 2 + 1).astype(str), "fibre_type": fibre,
                    "environment": "outside" if fibre == "OS2" else "inside",
                    "length_m": round(length),
                    "connections": float(rng.integers(2, 5)),
                    "splices": float(rng.integers(0, 5)) if fibre == "OS2" else 0.0,
                }
            )
        )  # fmt: skip
    links = pd.concat(parts, ignore_index=True)
    links["position"] = np.arange(1, len(links) + 1)
    return tables.conform(links, tables.LINKS)


def losses(rng: np.random.Generator, links: pd.DataFrame) -> dict[tuple[int, str], np.ndarray]:
    """Return dB per (wavelength, way) over all links, NaN where the fibre is of the other mode."""
    n = len(links)
    connections = links["connections"].to_numpy()
    plugs = rng.gamma(6.0 * connections, 0.2 / 6.0)
    splices = np.array([rng.gamma(2.0, 0.025, int(k)).sum() for k in links["splices"]])
    cables = links["cable"].to_numpy(dtype=object)
    out = {}
    matings = {way: rng.normal(0.0, 0.05, n) for way in ("a-b", "b-a")}
    for fibre, wavelengths in WAVELENGTHS.items():
        rows = (links["fibre_type"] == fibre).to_numpy()
        for nm in wavelengths:
            mean, spread = FIBRE[fibre, nm]
            by_cable = {c: rng.normal(mean, spread) for c in sorted(set(cables[rows]))}
            slope = np.array([by_cable.get(c, np.nan) for c in cables])
            colour = rng.normal(0.0, 0.02, n)
            for way in ("a-b", "b-a"):
                meter = rng.normal(0.0, 0.015, n)
                total = (slope * links["length_m"].to_numpy() / 1000.0 + plugs + splices + colour
                         + matings[way] + meter)  # fmt: skip
                out[nm, way] = np.where(rows, np.maximum(total, 0.02), np.nan)
    return out


def make(seed: int, cables: list[tuple[str, int]] | None = None) -> Job:
    rng = np.random.default_rng(seed)
    links = plan(rng, cables or CABLES)
    loss = losses(rng, links)
    frames, sheets, checks = [], [], []
    for fibre in ("OS2", "OM4"):
        names = list(dict.fromkeys(links.loc[links["fibre_type"] == fibre, "cable"]))
        visits = [(cable, way) for cable in names for way in ("a-b", "b-a")]
        for number, (cable, way) in enumerate(visits):
            day, place = divmod(number, VISITS_A_DAY)
            begin = pd.Timestamp("2026-03-02 07:30") + pd.Timedelta(days=day) + pd.Timedelta(
                minutes=100 * place)  # fmt: skip
            frame = _visit(rng, links, loss, cable, way, fibre, begin)
            frame["dump"] = f"{METERS[fibre]} {day + 1}"
            frame["visit"] = f"{cable} {way}"
            frames.append(frame)
    stored = pd.concat(frames, ignore_index=True)
    stored = _number(stored)
    for visit, rows in stored.groupby("visit", sort=False):
        sheet, of_sheet = _sheet(rng, visit, rows)
        sheets.append(sheet)
        checks += of_sheet
    kept = {**tables.STORED, "true_link": "text", "visit": "text", "true_loss_db": "float"}
    return Job(
        Plan(links, 1),
        tables.spelled(tables.conform(stored, kept)),
        RunSheets(tables.conform(pd.DataFrame(sheets), tables.RUN_SHEETS),
                  tables.conform(pd.DataFrame(checks), tables.SHEET_CHECKS)),
        SETTINGS,
    )  # fmt: skip


def _visit(
    rng: np.random.Generator, links: pd.DataFrame, loss: dict[tuple[int, str], np.ndarray],
    cable: str, way: str, fibre: str, begin: pd.Timestamp,
) -> pd.DataFrame:  # fmt: skip
    members = np.flatnonzero((links["cable"] == cable).to_numpy())
    pace = rng.gamma(12.0, 75.0 / 12.0, len(members)).clip(25.0)
    at = begin + pd.to_timedelta(np.round(np.cumsum(pace)) + 240, unit="s")
    wander = np.cumsum(rng.normal(0.0, 0.004, len(members)))
    offset = rng.normal(0.0, 0.015)
    reference = {nm: round(-20.0 + rng.normal(0.0, 0.3), 2) for nm in WAVELENGTHS[fibre]}
    parts = []
    if fibre == "OM4":
        parts.append(
            pd.DataFrame(
                {"label": "REF", "true_link": "", "wavelength_nm": list(reference),
                 "quantity": "reference", "reference_dbm": list(reference.values()),
                 "taken_at": begin + pd.Timedelta(minutes=3), "rank": -1, "direction": ""}
            )
        )  # fmt: skip
    for nm in WAVELENGTHS[fibre]:
        value = loss[nm, way][members] + wander + offset
        value = np.round(np.maximum(value, 0.02), 2)
        part = pd.DataFrame(
            {"label": links["link_id"].to_numpy()[members],
             "true_link": links["link_id"].to_numpy()[members], "wavelength_nm": nm,
             "true_loss_db": value, "taken_at": at, "rank": np.arange(len(members)),
             "direction": way if fibre == "OM4" else "", "visit_reference": reference[nm]}
        )  # fmt: skip
        if fibre == "OM4":
            part["quantity"], part["loss_db"] = "attenuation", value
        else:
            part["quantity"], part["power_dbm"] = "power", np.round(reference[nm] - value, 2)
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True)
    frame["meter_serial"], frame["source_serial"] = METERS[fibre], SOURCES[fibre]
    frame["operator"] = PEOPLE[fibre] if fibre == "OM4" else ""
    return frame.sort_values(["rank", "wavelength_nm"], ignore_index=True)


def _number(stored: pd.DataFrame) -> pd.DataFrame:
    """Give records, slots, lines, hashes and ids as a dump of each meter and day would."""
    out = []
    for number, (name, rows) in enumerate(stored.groupby("dump", sort=True)):
        rows = rows.reset_index(drop=True)
        fresh = (rows["rank"].diff() != 0) | (rows["visit"] != rows["visit"].shift())
        rows["record"] = fresh.cumsum()
        rows["slot"] = rows["record"]
        rows["line"] = np.arange(2, len(rows) + 2)
        rows["column"] = 1
        rows["dump_sha256"] = f"{number + 1:064x}"
        rows["dump_name"] = f"{name}.csv"
        rows["parser"] = "clean-job"
        last = rows["taken_at"].max()
        rows["arrived_at"] = (last + pd.Timedelta(hours=3)).strftime("%Y-%m-%dT%H:%M:%SZ")
        rows["reading_id"] = [f"r{number + 1:03d}{line:06d}" for line in rows["line"]]
        out.append(rows)
    frame = pd.concat(out, ignore_index=True)
    frame["state"], frame["clock_state"], frame["clock_resolution_s"] = "ok", "ok", 1
    frame["clock"] = frame["taken_at"].dt.strftime("%Y-%m-%d %H:%M:%S")
    frame["taken_at"] = frame["taken_at"].astype("datetime64[s]")
    return frame


def _sheet(
    rng: np.random.Generator, visit: object, rows: pd.DataFrame
) -> tuple[dict[str, object], list[dict[str, object]]]:
    cable, way = str(visit).split()
    fibre = "OS2" if rows["quantity"].iloc[-1] == "power" else "OM4"
    begin = rows["taken_at"].min().floor("min")
    sheet = {
        "sheet_id": f"sheet {cable} {way}", "meter_serial": METERS[fibre],
        "source_serial": SOURCES[fibre], "people": PEOPLE[fibre],
        "meter_end": "b" if way == "a-b" else "a", "cords": f"C-{fibre}",
        "cord_grade": "reference", "reference_method": 1, "dump": rows["dump_name"].iloc[0],
        "first_slot": rows["slot"].min(), "last_slot": rows["slot"].max(),
        "started_at": begin, "ended_at": rows["taken_at"].max().ceil("min"),
    }  # fmt: skip
    checks = []
    for nm in WAVELENGTHS[fibre]:
        shared = {"sheet_id": sheet["sheet_id"], "wavelength_nm": nm}
        if fibre == "OS2":
            power = rows.loc[rows["wavelength_nm"] == nm, "visit_reference"].iloc[0]
            checks.append(shared | {"kind": "reference", "power_dbm": power, "at": begin})
        checks.append(shared | {"kind": "closing", "loss_db": round(rng.normal(0.0, 0.02), 2)})
        checks.append(shared | {"kind": "cord", "loss_db": round(rng.uniform(0.02, 0.09), 2)})
    return sheet, checks
