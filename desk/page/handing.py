"""Handover on the page: what is missing, the revisions made, and a new one."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from desk.page import forms, show
from desk.page.office import Office, Reader, Row
from ingest.errors import NotNow
from ingest.job import Job

SHOWN = (".pdf", ".xlsx", ".html", ".csv", ".json", ".txt")


def handing(request: Request) -> Response:
    """Show the revisions, and what still stands against a final one."""
    office = show.office_of(request)
    return show.page(
        request, "handover.html", here="/handover", open=office.read("open for handover", _open),
        asked=_asked(office) if "check" in request.query_params else None,
        sets=_sets(office), scopes=office.read("scopes", _scopes),
    )  # fmt: skip


def _open(read: Reader) -> list[Row]:
    """Count what is not settled, in words, with the page on which it is."""
    job = read.rows("SELECT * FROM derived_completion WHERE scope = 'job'")
    states = ("accepted", "failed", "doubtful", "no_limit", "blocked", "waived")
    row = job[0] if job else dict.fromkeys(("planned", *states), 0)
    left = row["planned"] - sum(row[state] for state in states)
    asked = read.one("SELECT count(*) FROM derived_questions WHERE state = 'open'")
    limits = read.distinct("limits", ("limit_name", "limit_confirmed"))
    unconfirmed = sum(1 for name, confirmed in limits if name and not confirmed)
    held = read.one("SELECT count(*) FROM dump WHERE state != 'taken' AND aside = 0")
    counted = (
        (left, "planned tests have no reading", "/retests"),
        (row["failed"], "tests failed", "/retests"),
        (row["doubtful"], "tests are in doubt", "/questions"),
        (row["no_limit"], "tests have no limit", "/panels"),
        (row["blocked"], "tests are blocked", "/retests"),
        (asked, "questions are open", "/questions"),
        (unconfirmed, "limit sets nobody has confirmed", "/papers"),
        (held, "dumps are held", "/intake"),
    )
    return [{"count": n, "words": words, "path": path} for n, words, path in counted if n]


def _scopes(read: Reader) -> list[str]:
    return [
        f"{row['scope']}:{row['name']}"
        for row in read.rows(
            "SELECT scope, name FROM derived_completion "
            "WHERE scope IN ('building', 'area', 'cable') ORDER BY rowid"
        )
    ]


def _sets(office: Office) -> list[dict[str, Any]]:
    """List the revisions, newest first, with the files that people open."""
    from desk import revisions

    return [
        {
            "folder": made.folder,
            "name": made.folder.name,
            "draft": made.draft,
            "as_of": made.as_of,
            "files": sorted(
                path.name
                for path in made.folder.iterdir()
                if path.is_file() and path.suffix in SHOWN
            ),
        }
        for made in reversed(revisions.listed(office.job().folder / "handover"))
    ]


def _asked(office: Office) -> list[Any]:
    """Compare the job as it stands with the owner's requirements, item by item."""
    from desk import handover

    def compare() -> list[Any]:
        return list(handover.items_of(office.job(), handover.Options()))

    return office.shelf.get(office.mark(), "requirements", compare)


def make(request: Request, form: forms.Form) -> Response:
    """Make the next revision in the background."""
    from desk import handover

    office, visitor = show.office_of(request), show.visitor_of(request)
    scope = handover.scope_of(form.text("scope"))
    options = handover.Options(scope, draft=bool(form.text("draft")))

    def act(job: Job) -> handover.Made:
        if office.closing:
            raise NotNow("The page was stopped before the handover was begun.")
        return handover.make(job, options)

    def tell(made: handover.Made) -> None:
        visitor.words.append(
            f"Handover revision {made.revision} is written: {len(made.files)} files."
            if made.new
            else f"Nothing has changed since revision {made.revision}."
        )

    office.change("Writing the handover", act, visitor, tell)
    return forms.back(visitor, "/handover")


def document(request: Request) -> Response:
    """Give a file of a revision, found by comparing names: no path comes from the request."""
    office = show.office_of(request)
    wanted = (request.query_params.get("set", ""), request.query_params.get("file", ""))
    for made in _sets(office):
        for name in made["files"]:
            if (made["name"], name) == wanted:
                return FileResponse(
                    made["folder"] / name, filename=name,
                    content_disposition_type="attachment",
                )  # fmt: skip
    raise HTTPException(404, "There is no such document.")


ROUTES = [
    Route("/handover", handing),
    Route("/handover", forms.taken(make), methods=["POST"]),
    Route("/document", document),
]
