"""Everything about one link on one page."""

from __future__ import annotations

import json
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from desk import linkfacts
from desk.page import originals, panels, show
from desk.page.board import LAST_PLAN
from desk.page.office import Office, Reader, Row
from ingest import lookup

MOST_FOUND = 12
MOST_ACTS = 40
"""Newest decisions about a link on its page; the journal keeps all."""
TERMS = {
    "fibre": "fibre, km", "ends": "ends inside the measurement", "connections": "connections",
    "splices": "splices",
}  # fmt: skip
MOST_DUMP_LINES = 8


def link(request: Request) -> Response:
    """Show one link: plan, results, limit term by term, readings old and new, decisions."""
    office = show.office_of(request)
    link_id = request.query_params.get("id", "")
    facts = _facts(office, link_id)
    settings = office.job().settings
    # most changes are about other links
    told = json.dumps([facts["plan"], facts["grades"]]), repr(settings)
    extra: Row = office.lasting.get("", told, lambda: linkfacts.of(facts, settings))
    rows = sorted(
        facts["readings"], key=lambda row: (row["taken_at_utc"], row["dump_name"], row["row"])
    )
    current = {
        reading
        for row in facts["grades"]
        if row["grade"] != "superseded"
        for reading in json.loads(row["reading_ids"] or "[]")
    }
    lines = {
        (row["dump_name"], row["line"]): originals.around(office, [row])
        for row in rows[:MOST_DUMP_LINES]
    }
    return show.page(
        request, "link.html", link_id=link_id, **(facts | {"readings": rows}),
        extra=extra, current=current, lines=lines, chart=chart(facts["grades"]), terms=TERMS,
        colour=_colour(facts["plan"]["strand"]), words=panels.WORDS, signs=panels.SIGNS,
    )  # fmt: skip


def _facts(office: Office, link_id: str) -> Row:
    """Gather what is stored of a link: the keys of `ingest.views.link`; 404 for an unknown one."""

    def plan(read: Reader) -> list[Row]:
        return read.rows(
            f"SELECT * FROM plan_link WHERE plan = ({LAST_PLAN}) AND link_id = ?", (link_id,)
        )

    planned = office.read(("plan row", link_id), plan)
    if not planned:
        raise HTTPException(404, f"No link '{link_id}' in the plan.")
    rows = office.read(
        ("readings of", link_id), lambda read: lookup.of_link(read.connection, link_id)
    )
    limits = _of_link(office, "limits", link_id)
    return {
        "plan": planned[0],
        "tests": _of_link(office, "test_states", link_id),
        "grades": _of_link(office, "grades", link_id),
        "limits": [row | {"terms": json.loads(row["terms"] or "[]")} for row in limits],
        "findings": _of_link(office, "findings", link_id),
        "questions": _questions(office, link_id),
        "readings": rows,
        "acts": office.read(
            ("decided of", link_id),
            lambda read: _decided(read, link_id, [row["reading_id"] for row in rows]),
        ),
    }


def _of_link(office: Office, table: str, link_id: str) -> list[Row]:
    """Return the rows of a derived table that belong to a link."""
    return office.read(("of link", table, link_id), lambda read: read.of_link(table, link_id))


def _decided(read: Reader, link_id: str, reading_ids: list[str]) -> list[Row]:
    """List the acts about a link and the answers that name it or one of its readings, newest first.

    Each: at, who, what, argument, why, question (of an answer), undone.
    """
    acts = read.rows(
        "SELECT at, who, body FROM entry WHERE kind = 'act' AND "
        "json_extract(body, '$.subject') = ? ORDER BY at DESC LIMIT ?",
        (link_id, MOST_ACTS),
    )
    named = {link_id, *reading_ids[:MOST_ACTS]}
    # what stands in the text is looked at more closely; most answers are of other links
    tests = " OR ".join("instr(body, ?)" for _ in named)
    answers = read.rows(
        f"SELECT at, who, body FROM entry WHERE kind = 'answer' AND ({tests}) "
        "ORDER BY at DESC LIMIT ?",
        (*(json.dumps(name, ensure_ascii=False) for name in sorted(named)), MOST_ACTS),
    )
    undone = {row["id"] for row in read.rows(
        "SELECT json_extract(body, '$.id') AS id FROM entry WHERE kind = 'undo'"
    )}  # fmt: skip
    out = []
    for row in acts + answers:
        body = json.loads(row["body"])
        if row in answers and named.isdisjoint([*body["link_ids"], *body["reading_ids"]]):
            continue
        out.append(
            {
                "at": row["at"], "who": row["who"], "why": body["why"],
                "what": body.get("kind") or f"answer: {body['action'].replace('-', ' ')}",
                "argument": body["argument"], "question": body.get("question_id", ""),
                "undone": body.get("act_id", body.get("answer_id")) in undone,
            }
        )  # fmt: skip
    return sorted(out, key=lambda row: str(row["at"]), reverse=True)


def _questions(office: Office, link_id: str) -> list[Row]:
    """Find the questions that propose something for a link."""

    def proposed(read: Reader) -> list[Row]:
        # what stands in the text is looked at more closely; most questions are of other links
        rows = read.rows(
            "SELECT question_id, message, state, options FROM derived_questions "
            "WHERE instr(options, ?)",
            (json.dumps(link_id),),
        )
        return [row for row in rows if any(
            link_id in (option.get("link_id"), *(option.get("link_ids") or ()))
            for option in json.loads(row.pop("options"))
        )]  # fmt: skip

    return office.read(("questions of", link_id), proposed)


def search(request: Request) -> Response:
    """Find links by what somebody begins to type, for the type-ahead field."""
    typed = request.query_params.get("q", "").strip()[:60]
    if not typed:
        return JSONResponse([])
    office = show.office_of(request)
    plan = office.read("newest plan", lambda read: read.one(LAST_PLAN))
    links = office.lasting.get("", ("link ids", plan), lambda: office.read("link ids", _link_ids))
    return JSONResponse(find(links, typed))


def find(links: list[Row], typed: str) -> list[Row]:
    """Return links whose name begins with, then contains, what was typed, signs and case aside."""
    wanted = _folded(typed)
    begins = [row for row in links if row["folded"].startswith(wanted)][:MOST_FOUND]
    if len(begins) < MOST_FOUND:
        begins += [row for row in links if wanted in row["folded"] and row not in begins][
            : MOST_FOUND - len(begins)
        ]
    return [{"link_id": row["link_id"], "far_end": row["b_end"]} for row in begins]


def _link_ids(read: Reader) -> list[Row]:
    rows = read.rows(
        f"SELECT link_id, b_end FROM plan_link WHERE plan = ({LAST_PLAN}) ORDER BY position"
    )
    return [row | {"folded": _folded(row["link_id"])} for row in rows]


def _folded(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalnum())


def _colour(strand: str) -> str:
    if not strand.isascii() or not strand.isdecimal() or int(strand) < 1:
        return ""
    return panels.COLOURS[(int(strand) - 1) % panels.FIBRES_PER_TUBE]


WIDTH, HEIGHT, LEFT, TOP, COLUMN = 640, 220, 46, 12, 120


def chart(grades: list[Row]) -> dict[str, Any] | None:
    """Lay out loss against limit: a column for each wavelength and direction; units of the SVG."""
    shown = [row for row in grades if row["loss_db"] is not None]
    if not shown:
        return None
    keys = sorted({(row["wavelength_nm"], row["direction"]) for row in shown})
    values = [row["loss_db"] for row in shown] + [row["limit_db"] or 0 for row in shown]
    top = max(*values, 0.1) * 1.15
    floor = min(0.0, *values)
    base = HEIGHT - 38

    def y(value: float) -> float:
        return float(round(base - (value - floor) / (top - floor) * (base - TOP), 1))

    columns = []
    for number, (wavelength, direction) in enumerate(keys):
        rows = [r for r in shown if (r["wavelength_nm"], r["direction"]) == (wavelength, direction)]
        limits = {r["limit_db"] for r in rows if r["limit_db"] is not None}
        columns.append(
            {
                "x": LEFT + COLUMN * number + COLUMN // 2,
                "name": f"{wavelength} nm",
                "way": direction,
                "limits": [{"y": y(limit)} for limit in sorted(limits)],
                "dots": [
                    {
                        "y": y(r["loss_db"]),
                        "old": r["grade"] == "superseded",
                        "over": r["grade"] in ("fail", "conditional-fail"),
                    }
                    for r in rows
                ],
            }
        )  # fmt: skip
    step = next(s for s in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if (top - floor) / s <= 6)
    ticks = [round(step * n, 2) for n in range(int(floor / step), int(top / step) + 1)]
    return {
        "columns": columns, "ticks": [{"y": y(t), "value": t} for t in ticks],
        "width": max(WIDTH // 2, LEFT + COLUMN * len(keys) + 10), "height": HEIGHT, "left": LEFT,
        "base": base, "zero": y(0.0),
    }  # fmt: skip


ROUTES = [Route("/link", link), Route("/links.json", search)]
