"""Make the invented job: plan, run sheets, dumps, settings, and the truth about all of it."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from desk.demo import dumps, physics, planted
from desk.demo import plan as plans
from desk.demo.visits import COPIES, DUMPS, METERS, VISITS, Visit

WAVELENGTHS = {"OM3": (850, 1300), "OM4": (850, 1300), "OS2": (1310, 1550)}
SECONDS_TO_NEXT = (38, 62)
"""Shortest and longest time from one port to the next; common practice, no source."""


@dataclass(frozen=True)
class Made:
    """Where everything was written, and what is true about it."""

    plan: Path
    plan_workbook: Path
    run_sheets: Path
    dumps: tuple[Path, ...]
    """In the order of arrival."""
    truth_file: Path
    settings: dict[str, Any]
    """A fragment of job.toml as a plain dict."""
    truth: pd.DataFrame
    """One row per reading: dump_name, line, slot, label, wavelength_nm, link_id (empty outside the
    plan), direction, loss_db, state, kind (`link`, `outside-plan`, `reference`)."""
    faults: tuple[planted.Fault, ...]


def make(folder: Path, seed: int = 1) -> Made:
    """Write the invented job's papers and dumps into `folder`; the same seed, the same bytes.

    Raises OSError where the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    links = plans.links()
    tests, faults = planted.plant(_tests(np.random.default_rng(seed), links))
    tests = _store(tests)
    references = _references()
    plan, workbook = folder / "plan.csv", folder / "plan.xlsx"
    links.to_csv(plan, index=False, lineterminator="\n")
    _workbook(links, workbook)
    sheets = folder / "run-sheets.csv"
    run_sheets().to_csv(sheets, index=False, lineterminator="\n")
    paths, truth = _dumps(folder / "dumps", tests, references)
    truth_file = folder / "truth.json"
    truth_file.write_text(
        json.dumps(
            {
                "seed": seed,
                "faults": [asdict(fault) for fault in faults],
                "readings": truth.to_dict(orient="records"),
            },
            indent=1,
        )
        + "\n",
        encoding="utf-8",
    )
    return Made(plan, workbook, sheets, paths, truth_file, settings(), truth, tuple(faults))


def settings() -> dict[str, Any]:
    """Return what the invented contract sets in job.toml."""
    instruments = []
    for number, meter in enumerate(METERS.values()):
        instruments += [
            {"serial": meter.serial, "kind": "meter", "name": f"meter {'ABC'[number]}",
             "calibrated_on": f"2026-0{3 + number}-17", "due": f"2027-0{3 + number}-17",
             "minimum_dbm": -60.0, "maximum_dbm": 3.0},
            {"serial": meter.source, "kind": "source", "name": f"source {'ABC'[number]}",
             "calibrated_on": f"2026-0{3 + number}-17", "due": f"2027-0{3 + number}-17",
             "wavelengths_nm": [1310, 1550] if meter.source == "SC-7801" else
             [850, 1300, 1310, 1550]},
        ]  # fmt: skip
    people = sorted({name for visit in VISITS for name in visit.people.split(", ")})
    return {
        "name": "Weir and Kiln houses, fibre backbone (invented)",
        "customer": "Invented College, estates office",
        "site": "Weir house and Kiln house",
        "timezone": "Europe/Vienna",
        "limits": ["ANSI/TIA-568.3-D:2016"],
        "operators": people,
        "started_on": "2026-11-09",
        "cords": {"grade": "reference", "reference_method": 1},
        "instruments": instruments,
    }


def run_sheets() -> pd.DataFrame:
    """Return the crew's paper, one row per run sheet, as typed into a spreadsheet."""
    rows = []
    for visit in VISITS:
        if not visit.has_sheet:
            continue
        meter, spans = METERS[visit.meter], _spans(visit)
        reference = _reference_dbm(visit)
        row: dict[str, Any] = {
            "sheet": visit.sheet,
            "meter": meter.serial,
            "source": meter.source,
            "people": visit.people,
            "meter_end": visit.direction[-1],
            "cords": "cord pair " + visit.meter,
            "cord_grade": "reference",
            "reference_method": 1,
            "dump": spans.dump,
            "first_slot": spans.first,
            "last_slot": spans.last,
            "start": visit.start,
            "end": spans.end,
        }
        for wavelength in physics.SOURCE_DBM:
            used = wavelength in reference
            row[f"ref_{wavelength}"] = f"{reference[wavelength]:.2f}" if used else ""
            row[f"closing_{wavelength}"] = f"{visit.closing_db:.2f}" if used else ""
        row |= {
            "ref_time": visit.reference_at,
            "closing_time": spans.end,
            "cord_check": "0.08" if 850 in reference else "0.14",
            "notes": visit.notes,
        }
        rows.append(row)
    order = (
        "sheet meter source people meter_end cords cord_grade reference_method dump first_slot "
        "last_slot start end ref_850 ref_1300 ref_1310 ref_1550 ref_time closing_850 closing_1300 "
        "closing_1310 closing_1550 closing_time cord_check notes"
    ).split()
    return pd.DataFrame(rows)[order]
