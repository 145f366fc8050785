"""Run sheets: what the crew's paper says of a run, added by hand or loaded from a table."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from ingest import grids, store
from ingest.errors import BadInput, plainly
from ingest.grids import Grid
from ingest.job import Job
from ingest.session import writing
from rules import tables
from rules.evaluation import RunSheets

COLUMNS = (
    "sheet", "meter", "source", "people", "meter_end", "cords", "cord_grade",
    "reference_method", "dump", "first_slot", "last_slot", "start", "end", "notes", "ref_time",
    "closing_time", "cord_check",
)  # fmt: skip
"""Columns of a table of run sheets; `ref_850`, `closing_850`, `cord_check_850` … besides."""

SYNONYMS = {
    "sheetid": "sheet", "run": "sheet", "runsheet": "sheet", "meterserial": "meter",
    "sourceserial": "source", "lightsource": "source", "crew": "people", "operator": "people",
    "operators": "people", "meterat": "meter_end", "end": "end", "cord": "cords",
    "testcords": "cords", "cordclass": "cord_grade", "method": "reference_method",
    "numberofcords": "reference_method", "dumpname": "dump", "file": "dump",
    "fromslot": "first_slot", "toslot": "last_slot", "started": "start", "startedat": "start",
    "starttime": "start", "ended": "end", "endedat": "end", "endtime": "end", "note": "notes",
    "remarks": "notes", "referencetime": "ref_time", "referencedat": "ref_time",
    "closedat": "closing_time",
}  # fmt: skip

_CHECKS = {"ref": "reference", "closing": "closing", "cord_check": "cord"}
_PATTERNS = (
    (r"(?:ref|reference)(\d{3,4})(?:nm)?(?:dbm)?", r"ref_\1"),
    (r"closing(?:check)?(\d{3,4})(?:nm)?(?:dbm?)?", r"closing_\1"),
    (r"cord(?:s)?check(\d{3,4})(?:nm)?(?:db)?", r"cord_check_\1"),
)
_TIMES = {"start": "started_at", "end": "ended_at"}
_TEXTS = {
    "sheet": "sheet_id", "meter": "meter_serial", "source": "source_serial", "people": "people",
    "cords": "cords", "dump": "dump", "notes": "notes",
}  # fmt: skip
_CLOSING_LEVEL_DBM = -3.0
"""A closing value below this is a power level in dBm; above it, the loss in dB against the
reference. A cord changes by tenths of a dB between checks, a source sends about −20 dBm on
multimode and −7 dBm on single-mode. Common practice, no source."""


def load(job: Job, path: Path, by: str = "") -> list[str]:
    """Load run sheets from a CSV or workbook; give their names. Raises BadInput."""
    with plainly(f"Reading {path}"):
        data = path.read_bytes()
    return _record(job, read(data, path.name), by)


def add(job: Job, values: Mapping[str, str], by: str = "") -> str:
    """Add one run sheet given as column and text; give its name."""
    return _record(job, _bodies(_grid_of(values)), by)[0]


def edit(job: Job, sheet: str, values: Mapping[str, str], by: str = "") -> str:
    """Change columns of a run sheet; an empty text clears one. Raises BadInput."""
    with store.reader(job.store) as connection:
        known = _newest(connection)
    if sheet not in known:
        raise BadInput(f"No run sheet '{sheet}'; there are: {', '.join(sorted(known)) or 'none'}.")
    merged = {**known[sheet]["cells"], **values, "sheet": sheet}
    return _record(job, _bodies(_grid_of(merged)), by)[0]


def show(job: Job) -> list[dict[str, Any]]:
    """Return the run sheets as written: column to text, by name."""
    with store.reader(job.store) as connection:
        known = _newest(connection)
    return [known[name]["cells"] | {"sheet": name} for name in sorted(known)]


def read(data: bytes, name: str) -> list[dict[str, Any]]:
    """Read a table of run sheets into journal bodies; raise BadInput with row and column."""
    return _bodies(grids.read(data, name, COLUMNS, SYNONYMS, "sheet", _PATTERNS), name)


def tables_of(connection: Any) -> RunSheets:
    """Return the newest text of every run sheet as the rules' tables."""
    known = _newest(connection)
    sheets = pd.DataFrame([known[name]["sheet"] for name in sorted(known)])
    checks = pd.DataFrame(
        [check | {"sheet_id": name} for name in sorted(known) for check in known[name]["checks"]]
    )
    for frame, columns in ((sheets, ("started_at", "ended_at")), (checks, ("at",))):
        for column in columns:
            if column in frame:
                frame[column] = pd.to_datetime(frame[column], format="ISO8601").astype(
                    "datetime64[s]"
                )
    return RunSheets(
        tables.conform(sheets, tables.RUN_SHEETS), tables.conform(checks, tables.SHEET_CHECKS)
    )


def _newest(connection: Any) -> dict[str, dict[str, Any]]:
    rows = connection.execute(
        "SELECT body FROM entry WHERE kind = 'run-sheet' ORDER BY at, laptop, seq"
    ).fetchall()
    return {body["sheet"]["sheet_id"]: body for body in (json.loads(row[0]) for row in rows)}


def _record(job: Job, bodies: list[dict[str, Any]], by: str) -> list[str]:
    with writing(job, "run sheets") as session:
        known = _newest(session.connection)
        new = [body for body in bodies if known.get(body["sheet"]["sheet_id"]) != body]
        session.record_all([("run-sheet", body) for body in new], by)
    return [body["sheet"]["sheet_id"] for body in bodies]


def _grid_of(values: Mapping[str, str]) -> Grid:
    """Make a grid of one row from values given by a command or a form."""
    header = ",".join(values)
    for name in values:
        if name not in COLUMNS and not re.fullmatch(r"(ref|closing|cord_check)_\d{3,4}", name):
            raise BadInput(
                f"Unknown column '{name}' of a run sheet; there are: {', '.join(COLUMNS)}, "
                "ref_850, closing_850, cord_check_850 and so on."
            )
    frame = pd.DataFrame({name: pd.Series([str(text).strip()], dtype="str")
                          for name, text in values.items()})  # fmt: skip
    return Grid(frame, [1], dict(zip(values, header.split(","), strict=True)))


def _bodies(grid: Grid, name: str = "run sheet") -> list[dict[str, Any]]:
    bodies, errors = [], []
    seen: dict[str, int] = {}
    for row, cells in zip(grid.rows, grid.frame.to_dict("records"), strict=True):
        body, wrong = _body({str(k): v for k, v in cells.items() if v}, grid.decimal_comma)
        errors += [f"{name}, row {row}, {grid.headers.get(c, c)}: {text}" for c, text in wrong]
        sheet = body["sheet"]["sheet_id"]
        if sheet in seen:
            errors.append(
                f"{name}, row {row}, sheet: '{sheet}' stands already in row {seen[sheet]}."
            )
        seen.setdefault(sheet, row)
        bodies.append(body)
    if not bodies:
        errors.append(f"{name}: no run sheet below the header row.")
    if errors:
        raise BadInput(*errors)
    return bodies


def _body(
    cells: dict[str, str], decimal_comma: bool
) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """Read one row: (journal body, [(column, what is wrong)])."""
    wrong: list[tuple[str, str]] = []
    sheet: dict[str, Any] = {new: cells.get(old, "") for old, new in _TEXTS.items()}
    if not sheet["sheet_id"]:
        wrong.append(("sheet", "each run sheet needs a name."))
    if not sheet["meter_serial"]:
        wrong.append(("meter", "missing; give the serial number of the meter."))
    sheet["meter_end"] = _word(cells, "meter_end", {"a": "a", "b": "b"}, wrong)
    sheet["cord_grade"] = _word(
        cells, "cord_grade", {"reference": "reference", "standard": "standard"}, wrong
    )
    method = _word(cells, "reference_method", {
        "1": 1, "2": 2, "3": 3, "one": 1, "two": 2, "three": 3, "1 cord": 1, "2 cords": 2,
        "3 cords": 3, "one cord": 1, "two cords": 2, "three cords": 3,
    }, wrong)  # fmt: skip
    sheet["reference_method"] = method or 0
    for column in ("first_slot", "last_slot"):
        text = cells.get(column, "")
        if text and not re.fullmatch(r"\d{1,9}", text):
            wrong.append((column, f"found '{text}'; a whole number."))
        sheet[column] = int(text) if re.fullmatch(r"\d{1,9}", text) else -1
    for column, field in _TIMES.items():
        sheet[field] = _moment(cells, column, wrong)
    if sheet["started_at"] and sheet["ended_at"] and sheet["started_at"] > sheet["ended_at"]:
        wrong.append(("end", f"'{cells['end']}' is before the start '{cells['start']}'."))
    checks = list(_checks(cells, decimal_comma, wrong))
    return {"sheet": sheet, "checks": checks, "cells": cells}, wrong


def _checks(
    cells: dict[str, str], decimal_comma: bool, wrong: list[tuple[str, str]]
) -> Iterable[dict[str, Any]]:
    times = {
        "reference": _moment(cells, "ref_time", wrong) or _moment(cells, "start", []),
        "closing": _moment(cells, "closing_time", wrong) or _moment(cells, "end", []),
        "cord": _moment(cells, "start", []),
    }
    for column, text in sorted(cells.items()):
        match = re.fullmatch(r"(ref|closing|cord_check)(?:_(\d{3,4}))?", column)
        if not match:
            continue
        if decimal_comma:
            text = text.replace(",", ".")
        if not re.fullmatch(r"[+\-−]?\d{1,3}(\.\d+)?( ?dBm?)?", text):
            wrong.append((column, f"found '{cells[column]}'; a number in dB or dBm."))
            continue
        value = float(re.sub(r" ?dBm?$", "", text).replace("−", "-"))
        kind = _CHECKS[match[1]]
        level = kind == "reference" or (kind == "closing" and value < _CLOSING_LEVEL_DBM)
        yield {
            "kind": kind, "wavelength_nm": int(match[2] or 0), "at": times[kind],
            "power_dbm" if level else "loss_db": value,
        }  # fmt: skip


def _word(cells: dict[str, str], column: str, allowed: Mapping[str, Any],
          wrong: list[tuple[str, str]]) -> Any:  # fmt: skip
    text = cells.get(column, "")
    if text and text.lower() not in allowed:
        wrong.append((column, f"found '{text}'; one of {', '.join(allowed)}."))
    return allowed.get(text.lower(), "")


def _moment(cells: dict[str, str], column: str, wrong: list[tuple[str, str]]) -> str:
    """Read a time on paper, `2026-03-02 08:10`; a bare `08:10` takes the day of `start`."""
    text = cells.get(column, "")
    if not text:
        return ""
    if re.fullmatch(r"\d{1,2}:\d{2}(:\d{2})?", text) and len(cells.get("start", "")) >= 10:
        text = f"{cells['start'][:10]} {text.zfill(5)}"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        wrong.append((column, f"found '{text}'; a day and time such as 2026-03-02 08:10."))
        return ""
    if moment.tzinfo is not None:
        wrong.append((column, f"found '{text}'; the time of the job's zone, without an offset."))
    return moment.replace(tzinfo=None).isoformat(" ", "seconds")
