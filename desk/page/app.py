"""Put the page together: routes, guard, templates, and what every page shows."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from desk.page import (
    board,
    handing,
    held,
    intake,
    link,
    live,
    panels,
    papers,
    quality,
    questions,
    sheets,
    show,
)
from desk.page.door import Braked
from desk.page.guard import COOKIE, Guard
from desk.page.office import Office
from ingest.errors import BadInput, Damaged, NotNow, Trouble
from ingest.logs import write_bug

HERE = Path(__file__).parent
PAGES = (
    board, panels, link, questions, intake, held, sheets, papers, quality, handing, live,
)  # fmt: skip
"""Modules that bring routes."""
WARM = (board.WARM, panels.WARM, quality.WARM)
"""What the page computes ahead, the most looked at first."""


def build(office: Office, hosts: Iterable[str]) -> Starlette:
    """Make the application for one job; `hosts` are the Host headers that are ours."""
    routes = [
        Route("/enter", enter, methods=["GET"]),
        Route("/enter", let_in, methods=["POST"]),
        Mount("/static", StaticFiles(directory=HERE / "static"), name="static"),
        *(route for page in PAGES for route in page.ROUTES),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, door=office.door, hosts=hosts)],
        exception_handlers={Trouble: _trouble, 404: _not_found, Exception: _bug},
    )
    app.state.office = office
    return app


def enter(request: Request) -> Response:
    """Let in whoever opened the printed address; else ask for the token."""
    secret = request.query_params.get("key", "")
    office: Office = request.app.state.office
    if secret and not office.door.named:
        return _admit(request, secret, office.owner)
    return _door(request, secret=secret)


async def let_in(request: Request) -> Response:
    """Let in whoever typed the token and a name."""
    form = await request.form(max_files=0, max_fields=4)
    name = " ".join(str(form.get("name", "")).split())[:60]
    office: Office = request.app.state.office
    if office.door.named and not name:
        return _door(request, "Give your name: it stands beside what you decide.", 400)
    return _admit(request, str(form.get("secret", "")).strip(), name or office.owner)


def _admit(request: Request, secret: str, name: str) -> Response:
    office: Office = request.app.state.office
    try:
        session = office.door.enter(secret, name)
    except Braked:
        return _door(request, "Too many wrong tokens. Wait a minute, then try again.", 429)
    if not session:
        return _door(request, "That is not this page's token.", 403)
    response = RedirectResponse("/", status_code=303)
    response.set_cookie(COOKIE, session, httponly=True, samesite="strict", path="/")
    return response


def _door(request: Request, words: str = "", status: int = 200, secret: str = "") -> Response:
    office: Office = request.app.state.office
    text = show.ENVIRONMENT.get_template("enter.html").render(
        words=words, named=office.door.named, secret=secret, job_name=office.job().file.name
    )
    return HTMLResponse(text, status_code=status)


def _trouble(request: Request, error: Exception) -> Response:
    assert isinstance(error, Trouble)
    status = {BadInput: 400, Damaged: 500, NotNow: 503}.get(type(error), 500)
    return _sorry(request, status, "That did not work", list(error.lines))


def _not_found(request: Request, error: Exception) -> Response:
    detail = str(getattr(error, "detail", ""))
    words = detail if detail and detail != "Not Found" else "There is nothing at this address."
    return _sorry(request, 404, "Not here", [words])


def _bug(request: Request, error: Exception) -> Response:
    office: Office = request.app.state.office
    where = write_bug(office.folder, "".join(traceback.format_exception(error))).name
    return _sorry(
        request, 500, "Our error",
        [f"Nothing that was taken in is lost. The details are in logs/{where}."],
    )  # fmt: skip


def _sorry(request: Request, status: int, title: str, lines: list[str]) -> Response:
    if getattr(request.state, "visitor", None) is None:
        return PlainTextResponse("\n".join([title, *lines, ""]), status_code=status)
    return show.page(request, "sorry.html", status=status, title=title, lines=lines)


Endpoint = Callable[[Request], Any]
