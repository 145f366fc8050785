"""Small jobs for the tests of limits and grades: links, readings, runs, all in one place."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from rules import grade_findings, grades, limits, planned, suspicions, tables
from rules.evaluation import Decisions
from rules.settings import Settings

LINK: dict[str, Any] = {
    "link_id": "L1", "kind": "link", "fibre_type": "OM3", "environment": "", "length_m": 100.0,
    "connections": 4.0, "splices": 0.0, "wavelengths": "850", "directions": "a-b", "position": 1,
}  # fmt: skip
READING: dict[str, Any] = {
    "reading_id": "r1", "link_id": "L1", "kind": "link", "wavelength_nm": 850, "direction": "a-b",
    "quantity": "attenuation", "loss_db": 1.0, "state": "ok", "run_id": "R1",
    "meter_serial": "MA", "utc_s": 1000.0, "order": 1, "order_basis": "clock", "record": 1,
    "dump_sha256": "d1", "arrived_at": "2026-03-02T18:00:00Z", "fibre_position": 0,
}  # fmt: skip
RUN: dict[str, Any] = {
    "run_id": "R1", "reference_method": 1, "cord_grade": "reference", "started_at": "",
    "meter_serial": "MA",
}  # fmt: skip
SETTINGS = Settings(limits=("tia-568.3-d",))

WORKING = dict(tables.STORED) | {"run_id": "text", "utc_s": "float", "order": "int",
                           "order_basis": "text", "duplicate_of": "text"}  # fmt: skip


def links(*rows: dict[str, Any]) -> pd.DataFrame:
    return tables.conform(pd.DataFrame([LINK | row for row in rows or ({},)]), tables.LINKS)


def working(*rows: dict[str, Any]) -> pd.DataFrame:
    filled = []
    for number, row in enumerate(rows, 1):
        default = {"reading_id": f"r{number}", "record": number, "order": number}
        filled.append(READING | default | {"utc_s": 1000.0 * number} | row)
    return tables.conform(pd.DataFrame(filled), WORKING | {"link_id": "text", "kind": "text"})


def pairs(readings: pd.DataFrame) -> pd.DataFrame:
    return tables.conform(readings.assign(status="paired", how="exact"), tables.PAIRS)


def runs(*rows: dict[str, Any]) -> pd.DataFrame:
    return tables.conform(pd.DataFrame([RUN | row for row in rows or ({},)]), tables.RUNS)


def acts(*rows: dict[str, Any]) -> pd.DataFrame:
    return tables.conform(pd.DataFrame(list(rows)), tables.ACTS)


def answers(*rows: dict[str, Any]) -> pd.DataFrame:
    return tables.conform(pd.DataFrame(list(rows)), tables.ANSWERS)


def grade(
    readings: pd.DataFrame,
    plan: pd.DataFrame | None = None,
    run_table: pd.DataFrame | None = None,
    settings: Settings = SETTINGS,
    blocked: tuple[str, ...] = (),
    decisions: Decisions | None = None,
    sets: limits.Sets | None = None,
    confirmed: tuple[str, ...] = (),
) -> grades.Graded:
    """Run everything from planned tests to grades on small tables."""
    plan = links() if plan is None else plan
    run_table = runs() if run_table is None else run_table
    tests = planned.expand(plan, settings)
    paired = pairs(readings)
    need = limits.needs(tests, paired, readings, run_table, settings)
    rows = limits.for_links(plan, need, sets or limits.load(), settings, confirmed)
    return grades.grade(
        tests, readings, paired, rows, blocked, decisions or Decisions(), run_table, settings
    )


def shown(result: grades.Graded) -> list[tuple[str, int, str, str]]:
    """Return what a grade table says: link, wavelength, direction, grade; in row order."""
    columns = ["link_id", "wavelength_nm", "direction", "grade"]
    return list(result.grades[columns].itertuples(index=False, name=None))


def codes(result: grades.Graded) -> set[str]:
    return set(findings(result)["code"])


def findings(result: grades.Graded) -> pd.DataFrame:
    """Return what grading found, with what it says of the whole job."""
    lacking = result.lacking
    lacked = grade_findings.counted(lacking, np.zeros(len(lacking), dtype="int64"))
    return suspicions.join(result.findings, grade_findings.of_job(lacked))
