"""The papers beside the dumps: the crews' run sheets and what the contract sets."""

from __future__ import annotations

from typing import Any

import pandas as pd

from desk.demo import measured, physics
from desk.demo.visits import DUMPS, METERS, VISITS, Visit

COLUMNS = (
    "sheet", "meter", "source", "people", "meter_end", "cords", "cord_grade", "reference_method",
    "dump", "first_slot", "last_slot", "start", "end", "ref_850", "ref_1300", "ref_1310",
    "ref_1550", "ref_time", "closing_850", "closing_1300", "closing_1310", "closing_1550",
    "closing_time", "cord_check", "notes",
)  # fmt: skip


def settings() -> dict[str, Any]:
    """Return what the invented contract sets in job.toml."""
    instruments: list[dict[str, Any]] = []
    for month, (name, meter) in enumerate(METERS.items(), start=3):
        shared = {"calibrated_on": f"2026-0{month}-17", "due": f"2027-0{month}-17"}
        instruments += [
            {"serial": meter.serial, "kind": "meter", "name": f"meter {name}", **shared},
            {"serial": meter.source, "kind": "source", "name": f"source {name}", **shared},
        ]
    return {
        "name": "Weir house and Kiln house, fibre backbone (invented)",
        "customer": "Invented College, estates office",
        "site": "Weir house and Kiln house",
        "timezone": "Europe/Vienna",
        "limits": ["tia-568.3-d"],
        "operators": sorted({name for visit in VISITS for name in visit.people.split(", ")}),
        "started_on": "2026-11-09",
        "cords": {"grade": "reference", "reference_method": 1},
        "instruments": instruments,
    }


def run_sheets(tests: pd.DataFrame) -> pd.DataFrame:
    """Fill in the sheet of each visit; columns `COLUMNS`, values as typed.

    Where the meter keeps no trusted clock the crew wrote the dump and the slots, else the times.
    """
    dump_of = {sheet: name for name, sheets in reversed(DUMPS.items()) for sheet in sheets}
    rows = [
        _row(visit, tests[tests["sheet"] == visit.sheet], dump_of[visit.sheet]) for visit in VISITS
    ]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    slots = ["first_slot", "last_slot"]
    return frame.astype(dict.fromkeys(slots, "Int64"))


def _row(visit: Visit, tests: pd.DataFrame, dump: str) -> dict[str, Any]:
    meter = METERS[visit.meter]
    trusted = meter.has_clock and bool((tests["clock"] == tests["at"]).all())
    fresh = visit.reference_at[:10] == visit.start[:10]
    end = (tests["at"].max() + pd.Timedelta(minutes=2)).strftime(measured.MINUTES)
    row: dict[str, Any] = {
        "sheet": visit.sheet,
        "meter": meter.serial,
        "source": meter.source,
        "people": visit.people,
        "meter_end": visit.direction[-1] if visit.names_end else "",
        "cords": f"cord pair {visit.meter}",
        "cord_grade": "reference",
        "reference_method": 1,
        "start": visit.reference_at if fresh else visit.start,
        "end": end,
        "ref_time": visit.reference_at,
        "closing_time": end,
        "cord_check": 0.08 if 850 in set(tests["wavelength_nm"]) else 0.14,
        "notes": visit.notes,
    }
    if not trusted:
        row |= {
            "dump": dump,
            "first_slot": int(tests["slot"].min()),
            "last_slot": int(tests["slot"].max()),
        }
    for wavelength in sorted(set(tests["wavelength_nm"]) & set(physics.SOURCE_DBM)):
        row[f"ref_{wavelength}"] = measured.reference_dbm(visit, wavelength)
        row[f"closing_{wavelength}"] = visit.closing_db
    return row
