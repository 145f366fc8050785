"""Notes, repairs, waivers, releases, confirmed limits: what people decide, in writing."""

from __future__ import annotations

import json
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import forms, show
from desk.page.board import LAST_PLAN
from desk.page.office import Office, Reader, Row
from ingest import acts
from ingest.errors import BadInput
from ingest.job import Job

KINDS = (
    ("note", "Note", "a link or a run: what the crew remarked"),
    ("skipped", "Skipped", "a port that the crew left out"),
    ("blocked", "Blocked", "a link that nobody can reach now"),
    ("repair", "Repair", "voids all older readings of the link and puts its tests back"),
    ("waiver", "Waiver", "do without what is open on a link; needs its reason"),
    ("release", "Release", "a finished cable, area or building, for handover"),
    (
        "confirm-limit",
        "Limit confirmed",
        "a limit set, compared with your own copy of the standard",
    ),
)
"""Kind, its word, and what its subject is."""
MOST_LISTED = 300


def papers(request: Request) -> Response:
    """Show what was decided, newest first, and the form for more."""
    return _show(request, request.query_params.get("subject", ""))


def _show(request: Request, subject: str, problem: str = "", **typed: str) -> Response:
    office = show.office_of(request)
    facts = office.read("papers", _facts)
    return show.page(
        request, "papers.html", here="/papers", **facts, kinds=KINDS, subject=subject,
        problem=problem, typed={"kind": "note", "why": ""} | typed,
    )  # fmt: skip


def _facts(read: Reader) -> dict[str, Any]:
    undone = {
        row["id"]: row
        for row in read.rows(
            "SELECT json_extract(body, '$.id') AS id, at, who FROM entry WHERE kind = 'undo'"
        )
    }
    decided: list[Row] = []
    for row in read.rows(
        "SELECT at, who, kind, body FROM entry WHERE kind IN ('act', 'answer') "
        "ORDER BY at DESC, laptop DESC, seq DESC LIMIT ?",
        (MOST_LISTED,),
    ):
        body = json.loads(row["body"])
        id_ = body.get("act_id", body.get("answer_id", ""))
        what = body.get("kind") or body["action"].replace("-", " ")
        count = len(body.get("reading_ids", ()))
        about = body.get("subject") or (f"{count} readings" if count else "")
        if body.get("action") == "alias":
            about = "{} is read as {}".format(*json.loads(body["argument"]))
        decided.append(
            {
                "id": id_, "at": row["at"], "who": row["who"], "what": what,
                "subject": about,
                "link": body.get("subject", "") if body.get("scope") == "link" else "",
                "argument": body.get("argument", "") if row["kind"] == "act" else "",
                "why": body.get("why", ""), "question": body.get("question_id", ""),
                "undone": undone.get(id_),
            }
        )  # fmt: skip
    limits = [
        {"limit_name": name, "limit_confirmed": confirmed}
        for name, confirmed in read.distinct("limits", ("limit_name", "limit_confirmed"))
        if name
    ]
    parts = [
        row["name"]
        for row in read.rows(
            " UNION ".join(
                f"SELECT {column} AS name FROM plan_link "
                f"WHERE plan = ({LAST_PLAN}) AND {column} != ''"
                for column in ("cable", "area", "building")
            )
        )
    ]
    return {"decided": decided, "limits": limits, "parts_list": parts}


def decide(request: Request, form: forms.Form) -> Response:
    """Journal one decision."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    kind, subject, why = form.text("kind"), form.text("subject"), form.text("why")
    try:
        if not subject:
            raise BadInput("Give what it is about.")
        office.change(
            "Working the decision in",
            lambda job: _act(job, kind, subject, why, visitor.name, bool(form.text("neighbours"))),
            visitor,
        )
    except BadInput as error:
        return _show(request, subject, " ".join(error.lines), kind=kind, why=why)
    word = next((word for name, word, _ in KINDS if name == kind), kind)
    return forms.back(visitor, "/papers", f"{word}: {subject} is in the journal.")


def _act(job: Job, kind: str, subject: str, why: str, by: str, neighbours: bool) -> None:
    """Hand a decision to the function that the terminal's command calls."""
    if kind in ("note", "skipped", "blocked"):
        acts.note(job, subject, why, argument="" if kind == "note" else kind, by=by)
    elif kind == "repair":
        acts.repair(job, _listed(subject), why=why, by=by, neighbours=neighbours)
    elif kind == "waiver":
        acts.waive(job, _listed(subject), why=why, by=by)
    elif kind == "release":
        acts.release(job, subject, why=why, by=by)
    elif kind == "confirm-limit":
        acts.confirm_limit(job, subject, why=why, by=by)
    else:
        raise BadInput(f"Unknown kind '{kind}'.")


def _listed(subject: str) -> list[str]:
    """Read one or several links, parted by commas or line ends."""
    return [part for part in (p.strip() for p in subject.replace("\n", ",").split(",")) if part]


def take_back(request: Request, form: forms.Form) -> Response:
    """Take a decision back; it stays in the journal, and so does this."""
    office: Office = show.office_of(request)
    visitor, id_ = show.visitor_of(request), form.need("id", "what to take back")
    office.change(
        "Taking the decision back",
        lambda job: acts.undo(job, id_, form.text("why") or "taken back on the page", visitor.name),
        visitor,
    )
    return forms.back(visitor, "/papers", "It is taken back.")


ROUTES = [
    Route("/papers", papers),
    Route("/papers", forms.taken(decide), methods=["POST"]),
    Route("/papers/undo", forms.taken(take_back), methods=["POST"]),
]
