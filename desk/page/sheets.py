"""Run sheets: entered, changed and loaded as on the terminal, beside the runs they speak for."""

from __future__ import annotations

import re
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import forms, show
from desk.page.office import Office, Reader
from ingest import lookup
from ingest import sheets as papers
from ingest.derive import refresh
from ingest.errors import BadInput
from ingest.job import Job

FIELDS = (
    ("sheet", "name of the sheet", ""),
    ("meter", "meter, serial number", ""),
    ("source", "source, serial number", ""),
    ("people", "people", ""),
    ("meter_end", "meter stood at end", "a b"),
    ("reference_method", "cords at the reference", "1 2 3"),
    ("cord_grade", "grade of the cords", "reference standard"),
    ("cords", "cords", ""),
    ("dump", "dump", ""),
    ("first_slot", "first slot", ""),
    ("last_slot", "last slot", ""),
    ("start", "began", ""),
    ("end", "ended", ""),
    ("ref_time", "reference taken", ""),
    ("closing_time", "closing check", ""),
    ("cord_check", "cord to cord, dB", ""),
    ("notes", "notes", ""),
)
"""Column of a run sheet, its words, and the allowed words where there are few."""
CHECKED = re.compile(r"(ref|closing|cord_check)_\d{3,4}")
WAVELENGTHS = (850, 1300, 1310, 1550)
MOST_LISTED = 400
MOST_READINGS = 200
"""Readings of a sheet beside it."""


def sheets(request: Request) -> Response:
    """Show the run sheets and the runs of the readings."""
    office = show.office_of(request)
    return _show(request, office, request.query_params.get("edit", ""))


def _show(
    request: Request, office: Office, edited: str, problem: tuple[str, ...] = (),
    typed: dict[str, str] | None = None,
) -> Response:  # fmt: skip
    known = office.shelf.get(office.mark(), "sheets", lambda: papers.show(office.job()))
    chosen = typed or next((row for row in known if row["sheet"] == edited), {})
    return show.page(
        request, "sheets.html", here="/sheets", sheets=known[:MOST_LISTED],
        runs=office.read("runs", _runs), fields=FIELDS, wavelengths=_wavelengths(known),
        chosen=chosen, edited=edited if chosen else "", problem=problem,
        readings=office.read(("readings of sheet", edited), lambda read: _readings(read, edited)),
    )  # fmt: skip


def _runs(read: Reader) -> list[dict[str, Any]]:
    return read.rows(
        "SELECT * FROM derived_runs ORDER BY started_at = '', started_at, sheet_id = '', "
        "sheet_id, run_id LIMIT ?",
        (MOST_LISTED,),
    )


def _readings(read: Reader, sheet: str) -> list[dict[str, Any]]:
    """Return the readings of a sheet's runs as they were stored, each once."""
    if not sheet:
        return []
    runs = read.rows("SELECT run_id FROM derived_runs WHERE sheet_id = ?", (sheet,))
    state = read.columns("reading_state", ("row", "run_id", "duplicate_of"))
    own = state["run_id"].isin([row["run_id"] for row in runs]) & (state["duplicate_of"] == "")
    found = state.loc[own, "row"].tolist()
    rows = lookup.by_rows(read.connection, found[:MOST_READINGS])
    for row in rows:
        row["of"] = len(found)
    return rows


def _wavelengths(known: list[dict[str, Any]]) -> list[int]:
    """List the wavelengths that the form offers: the usual ones and those of any sheet."""
    used = {int(name.rsplit("_", 1)[1]) for row in known for name in row if CHECKED.fullmatch(name)}
    return sorted({*WAVELENGTHS, *used})


def keep(request: Request, form: forms.Form) -> Response:
    """Keep one run sheet, new or changed."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    allowed = {name for name, _, _ in FIELDS}
    edited = form.text("edited")
    values = {
        name: form.text(name)
        for name in form.names()
        if (name in allowed or CHECKED.fullmatch(name)) and (form.text(name) or edited)
    }

    def act(job: Job) -> str:
        if edited and edited == values.get("sheet"):
            name = papers.edit(job, edited, values, visitor.name)
        else:
            name = papers.add(job, {k: v for k, v in values.items() if v}, visitor.name)
        refresh(job)
        return name

    try:
        office.change("Laying the run sheet over the readings", act, visitor)
    except BadInput as error:
        return _show(request, office, edited, error.lines, values)
    return forms.back(visitor, "/sheets", f"Run sheet {values.get('sheet', '')} is kept.")


def load(request: Request, form: forms.Form) -> Response:
    """Load a table of run sheets."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    table = form.upload("table")

    def act(job: Job) -> int:
        with table.as_file() as path:
            count = len(papers.load(job, path, visitor.name))
        refresh(job)
        return count

    def tell(count: int) -> None:
        visitor.words.append(f"{count} run sheets read from {table.name}.")

    office.change("Laying the run sheets over the readings", act, visitor, tell)
    return forms.back(visitor, "/sheets")


ROUTES = [
    Route("/sheets", sheets),
    Route("/sheets", forms.taken(keep), methods=["POST"]),
    Route("/sheets/load", forms.taken(load, files=1), methods=["POST"]),
]
