"""Intake: bring dumps and plans, see what became of each, settle the held ones; the retest list."""

from __future__ import annotations

import json
from itertools import groupby
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import forms, ports, show
from desk.page.office import Office, Reader, Row
from ingest import intake as taking
from ingest import planload
from ingest.derive import refresh
from ingest.dumps import read_pending
from ingest.job import Job

BALANCE = (
    ("read", "read"), ("paired", "paired"), ("question", "in question"),
    ("outside_plan", "outside the plan"), ("duplicate", "repeats"), ("reference", "references"),
    ("left_out", "left out"), ("refused", "refused"),
)  # fmt: skip
MOST_DUMPS = 100
MOST_FAULTS = 20
MOST_PORTS = 450
"""Ports of the retest list on one page."""


def intake(request: Request) -> Response:
    """Show what came in and what became of it."""
    office = show.office_of(request)
    return show.page(
        request, "intake.html", here="/intake", **office.read("intake", _facts),
        columns=BALANCE, ports=ports.facts(office), inbox=str(office.job().inbox),
        problems=office.shelf.get(office.mark(), "parser problems", lambda: _problems(office)),
    )  # fmt: skip


def _problems(office: Office) -> tuple[str, ...]:
    from ingest import plugins

    return plugins.of_job(office.job()).problems


def _facts(read: Reader) -> dict[str, Any]:
    dumps = read.rows(
        "SELECT d.id, d.sha256, d.name, d.names, d.arrived_at, d.size, d.origin, d.complete, "
        "d.state, d.aside, d.reason, d.parser, b.* FROM dump d "
        "LEFT JOIN derived_balance b ON b.dump_sha256 = d.sha256 "
        "ORDER BY d.arrived_at DESC, d.sha256"
    )
    taken = [row for row in dumps if row["state"] == "taken"]
    faults: dict[int, list[Row]] = {}
    counts = {row["dump"]: row["faults"] for row in read.rows(
        "SELECT dump, count(*) AS faults FROM fault GROUP BY dump"
    )}  # fmt: skip
    for row in read.rows(
        'SELECT * FROM (SELECT dump, line, "column", code, found, expected, remedy, '
        "row_number() OVER (PARTITION BY dump ORDER BY line) AS place FROM fault "
        "WHERE dump IN (SELECT value FROM json_each(?))) WHERE place <= ? ORDER BY dump, line",
        (json.dumps([row["id"] for row in taken[:MOST_DUMPS]]), MOST_FAULTS),
    ):
        faults.setdefault(row["dump"], []).append(row)
    for row in taken:
        row["faults"] = faults.get(row["id"], [])
        row["fault_count"] = counts.get(row["id"], 0)
    return {
        "dumps": taken[:MOST_DUMPS],
        "dump_count": len(taken),
        "held": [row for row in dumps if row["state"] != "taken" and not row["aside"]],
        "revision": read.one("SELECT count(*) FROM entry WHERE kind = 'plan'"),
    }


def bring(request: Request, form: forms.Form) -> Response:
    """Take uploaded dumps in; their bytes and journal entries are safe before the answer."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    arrived = [
        taking.receive(office.job(), one.data, one.name, "page", by=visitor.name)
        for one in form.uploads("dumps")
    ]
    if not arrived:
        return forms.back(visitor, "/intake", "No file was chosen.")
    office.change("Reading what came in", _read_in, visitor)
    new = sum(one.new for one in arrived)
    again = len(arrived) - new
    words = f"{new} {'dump' if new == 1 else 'dumps'} taken in."
    if again:
        words += f" {again} had come before; nothing was doubled."
    return forms.back(visitor, "/intake", words)


def _read_in(job: Job) -> None:
    read_pending(job)
    refresh(job)


def bring_plan(request: Request, form: forms.Form) -> Response:
    """Load an uploaded plan as the next revision; its name only decides CSV or workbook."""
    visitor = show.visitor_of(request)
    plan = form.upload("plan")

    def act(job: Job) -> planload.PlanChange:
        with plan.as_file() as path:
            change = planload.load(job, path, visitor.name)
        refresh(job)
        return change

    def tell(change: planload.PlanChange) -> None:
        visitor.words += [
            f"Plan revision {change.revision}: {change.links} links; {len(change.added)} added, "
            f"{len(change.changed)} changed, {len(change.removed)} removed.",
            *change.notes,
        ]

    show.office_of(request).change("Laying the new plan over the readings", act, visitor, tell)
    return forms.back(visitor, "/")


def retests(request: Request) -> Response:
    """Show what is to be measured before leaving, by place, panel and port."""
    office = show.office_of(request)
    rows = office.read("retests", _retests)
    building = request.query_params.get("building", "")
    buildings = list(dict.fromkeys(row["building"] for row in rows))
    chosen = [row for row in rows if not building or row["building"] == building]
    shown = chosen[:MOST_PORTS]
    places = [
        {"building": place[0], "floor": place[1], "panels": [
            _panel(name, list(ports)) for name, ports in groupby(group, key=lambda r: r["panel"])
        ]}
        for place, group in groupby(shown, key=lambda row: (row["building"], row["floor"]))
    ]  # fmt: skip
    return show.page(
        request, "retests.html", here="/retests", places=places, buildings=buildings,
        building=building, count=sum(row["tests"] for row in chosen), ports=len(chosen),
        hidden=len(chosen) - len(shown),
    )  # fmt: skip


def _panel(name: str, ports: list[Row]) -> Row:
    """Name what all ports of a panel have in common (`ways`), so that paper says it once."""
    same = len(ports) > 1 and all(port["ways"] == ports[0]["ways"] for port in ports)
    return {"name": name, "ports": ports, "ways": ports[0]["ways"] if same else {}}


def _retests(read: Reader) -> list[Row]:
    """Gather the retest list by port: one row per link with all that is to be done there."""
    out: list[Row] = []
    for row in read.rows("SELECT * FROM derived_retests ORDER BY position, step"):
        key = (row["building"], row["floor"], row["panel"], row["port"], row["link_id"])
        if not out or out[-1]["key"] != key:
            out.append(row | {"key": key, "tests": 0, "ways": {}, "whys": []})
        out[-1]["tests"] += 1
        out[-1]["ways"].setdefault(row["direction"], []).append(row["wavelength_nm"])
        if row["why"] not in out[-1]["whys"]:
            out[-1]["whys"].append(row["why"])
    order: dict[tuple[str, str, str], int] = {}
    for row in out:
        order.setdefault((row["building"], row["floor"], row["panel"]), len(order))
    out.sort(key=lambda row: order[row["building"], row["floor"], row["panel"]])
    return out


ROUTES = [
    Route("/intake", intake),
    Route("/intake", forms.taken(bring, files=forms.MOST_FILES), methods=["POST"]),
    Route("/plan", forms.taken(bring_plan, files=1), methods=["POST"]),
    Route("/retests", retests),
]
