"""The panel map: every panel as its rows of ports, each port with the state of its link."""

from __future__ import annotations

import re
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import show
from desk.page.board import LAST_PLAN
from desk.page.office import Reader, Row

WORST_FIRST = ("failed", "doubtful", "no-limit", "blocked", "missing", "waived", "accepted")
"""A port shows the worst state of its link's planned tests."""
SIGNS = {
    "accepted": "✓", "failed": "✕", "doubtful": "?", "no-limit": "∅", "blocked": "⊘",
    "missing": "·", "waived": "w",
}  # fmt: skip
"""A second sign beside the colour."""
WORDS = {
    "accepted": "accepted", "failed": "failed", "doubtful": "in doubt", "no-limit": "no limit",
    "blocked": "blocked", "missing": "not tested", "waived": "waived",
}  # fmt: skip
FIBRES_PER_TUBE = 12
COLOURS = (
    "blue", "orange", "green", "brown", "slate", "white", "red", "black", "yellow", "violet",
    "rose", "aqua",
)  # fmt: skip
"""Colours of fibres 1 to 12, ANSI/TIA-598; from memory, seen on many public pages."""
MOST_GAP = 200
"""Ports without a link that are drawn; a plan with larger gaps shows only its ports."""
PORTS_PER_PAGE = 1_300
"""Keeps a page of panels under 200 kB."""


def panels(request: Request) -> Response:
    """Show all panels, small."""
    office = show.office_of(request)
    figures = office.glance(*WARM, enough=bool)
    names = figures.value
    pages = figures.draw("pages", lambda: _pages(names))
    page = min(_page(request), len(pages) - 1)
    # a thousand ports are the same for everybody, so they are drawn once
    hung = figures.draw(
        page,
        lambda: show.part(
            "panels_hung.html", panels=[(name, names[name]) for name in pages[page]], signs=SIGNS,
            words=WORDS,
        ),
    )  # fmt: skip
    return show.page(
        request, "panels.html", here="/panels", figures=figures, hung=hung, signs=SIGNS,
        words=WORDS, page=page, pages=len(pages), total=len(names),
    )  # fmt: skip


def panel(request: Request) -> Response:
    """Show one panel, large, with the fibres' colours."""
    name = request.query_params.get("name", "")
    figures = show.office_of(request).glance(*WARM, enough=lambda names: name in names)
    names = figures.value
    if name not in names:
        raise HTTPException(404, f"The plan has no panel '{name}'.")
    order = list(names)
    place = order.index(name)
    return show.page(
        request, "panel.html", here="/panels", figures=figures, name=name, panel=names[name],
        signs=SIGNS, words=WORDS, colours=COLOURS, before=order[place - 1] if place else "",
        after=order[place + 1] if place + 1 < len(order) else "",
    )  # fmt: skip


def _pages(names: dict[str, Row]) -> list[list[str]]:
    """Part the panels into pages of about as many ports."""
    pages: list[list[str]] = [[]]
    ports = 0
    for name, panel in names.items():
        if pages[-1] and ports + len(panel["ports"]) > PORTS_PER_PAGE:
            pages.append([])
            ports = 0
        pages[-1].append(name)
        ports += len(panel["ports"])
    return pages


def _page(request: Request) -> int:
    text = request.query_params.get("page", "0")
    return int(text) if re.fullmatch(r"\d{1,4}", text) else 0


def _panels(read: Reader) -> dict[str, Row]:
    """Lay out every panel of the plan by name: its ports in order, and where it hangs."""
    states = {row["link_id"]: row for row in read.rows(
        "SELECT link_id, tests, accepted AS done, CASE "
        + " ".join(
            f"WHEN {state.replace('-', '_')} > 0 THEN {rank}"
            for rank, state in enumerate(WORST_FIRST)
        )
        + " END AS worst FROM derived_link_states"
    )}  # fmt: skip
    found: dict[str, Row] = {}
    for row in read.rows(
        "SELECT link_id, building, floor, cable, strand, a_end, b_end FROM plan_link "
        f"WHERE plan = ({LAST_PLAN}) ORDER BY position"
    ):
        port = _port(row, states.get(row["link_id"]))
        for end, other in (("a_end", "b_end"), ("b_end", "a_end")):
            name, _, number = row[end].rpartition(":")
            if not name:
                continue
            panel = found.get(name)
            if panel is None:
                panel = {"building": row["building"], "floors": [], "cables": [], "ports": []}
                found[name] = panel
            for key, value in (("floors", row["floor"]), ("cables", row["cable"])):
                if value and value not in panel[key]:
                    panel[key].append(value)
            panel["ports"].append(port | {"number": number, "far": row[other]})
    for panel in found.values():
        panel["ports"] = _in_order(panel["ports"])
    return {name: found[name] for name in sorted(found, key=_natural)}


def _port(row: Row, tests: Row | None) -> Row:
    strand = row["strand"]
    whole = strand.isascii() and strand.isdecimal() and int(strand) > 0
    return {
        "link_id": row["link_id"], "cable": row["cable"], "strand": strand,
        "state": "missing" if tests is None else WORST_FIRST[tests["worst"]],
        "colour": (int(strand) - 1) % FIBRES_PER_TUBE + 1 if whole else 0,
        "done": tests["done"] if tests else 0, "tests": tests["tests"] if tests else 0,
    }  # fmt: skip


def _in_order(ports: list[Row]) -> list[Row | None]:
    """Sort ports by number; None stands for a port without a link, where numbers allow."""
    ports = sorted(ports, key=lambda port: _natural(port["number"]))
    numbers = [int(p["number"]) for p in ports if re.fullmatch(r"\d{1,4}", p["number"])]
    if len(numbers) < len(ports) or len(set(numbers)) < len(ports):
        return [*ports]
    if not numbers or max(numbers) - len(numbers) > MOST_GAP:
        return [*ports]
    by_number = dict(zip(numbers, ports, strict=True))
    return [by_number.get(number) for number in range(1, max(numbers) + 1)]


def _natural(text: str) -> list[Any]:
    """Sort numbers inside names as numbers."""
    if text.isdecimal():
        return [(1, int(text), "")]
    parts = re.split(r"(\d+)", text)
    return [(1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts]


WARM = ("panels", _panels)
ROUTES = [Route("/panels", panels), Route("/panel", panel)]
