"""What does not come from our own page in a browser that was let in gets nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.routing import Route
from starlette.testclient import TestClient

from desk.page import door, guard
from desk.page.app import build
from desk.page.door import Braked, Door
from tests.desk.page_client import HOST, ORIGIN, SECRET, Visitor, office_of


@pytest.fixture(scope="module")
def visitor(demo_job: Path) -> Iterator[Visitor]:
    office = office_of(demo_job)
    yield Visitor(office)
    office.close()


def routes(visitor: Visitor, method: str) -> list[str]:
    found = [
        route.path
        for route in build(visitor.office, [HOST]).routes
        if isinstance(route, Route) and method in (route.methods or ())
    ]
    return [path.replace("{name}", "loss-by-cable") for path in found]


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8765", "127.0.0.1", "127.0.0.1:1"])
def test_another_host_is_refused_even_with_a_session(visitor: Visitor, host: str) -> None:
    for path in routes(visitor, "GET"):
        if path != "/events":
            assert visitor.get(path, headers={"host": host}).status_code == 421


def test_without_a_session_every_page_leads_to_the_door(visitor: Visitor) -> None:
    stranger = Visitor(visitor.office, inside=False)
    for path in routes(visitor, "GET"):
        if path != "/enter":
            answer = stranger.get(path, follow_redirects=False)
            assert (answer.status_code, answer.headers["location"]) == (303, "/enter"), path
    assert stranger.get("/static/page.css").status_code == 200


def test_every_form_needs_our_origin_a_session_and_its_token(visitor: Visitor) -> None:
    paths = [path for path in routes(visitor, "POST") if path != "/enter"]
    assert len(paths) >= 9
    stranger = Visitor(visitor.office, inside=False)
    ours = {"origin": ORIGIN}
    for path in paths:
        fields = {"token": visitor.token()}
        assert visitor.client.post(path, data=fields).status_code == 403, path
        for foreign in ("http://evil.example", "null", f"https://{HOST}"):
            answer = visitor.client.post(path, data=fields, headers={"origin": foreign})
            assert answer.status_code == 403, (path, foreign)
        cross = {"sec-fetch-site": "cross-site"}
        assert visitor.client.post(path, data=fields, headers=cross).status_code == 403
        assert stranger.client.post(path, data=fields, headers=ours).status_code == 403
        for token in ("", "wrong"):
            answer = visitor.client.post(path, data={"token": token}, headers=ours)
            assert answer.status_code == 403, path
            assert "too old" in answer.text


def test_headers_stand_on_every_answer(visitor: Visitor) -> None:
    stranger = Visitor(visitor.office, inside=False)
    answers = [
        visitor.get("/"),
        visitor.get("/static/page.css"),
        visitor.get("/no-such-page"),
        visitor.get("/", headers={"host": "evil.example"}),
        stranger.get("/", follow_redirects=False),
        stranger.get("/enter"),
    ]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert "access-control-allow-origin" not in answer.headers
    assert visitor.get("/").headers["cache-control"] == "no-store"


def test_cookie_is_out_of_reach_of_scripts_and_other_sites(demo_job: Path) -> None:
    office = office_of(demo_job)
    client = TestClient(build(office, [HOST]), base_url=ORIGIN)
    answer = client.get(f"/enter?key={SECRET}", follow_redirects=False)
    cookie = answer.headers["set-cookie"].lower()
    assert answer.headers["location"] == "/"
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert SECRET not in cookie
    office.close()


def test_a_shared_page_wants_a_name_and_does_not_take_the_secret_from_the_address(
    demo_job: Path,
) -> None:
    office = office_of(demo_job, named=True)
    stranger = Visitor(office, inside=False)
    opened = stranger.get(f"/enter?key={SECRET}")
    assert opened.status_code == 200
    assert "Your name" in opened.text
    assert stranger.send("/enter", secret=SECRET).status_code == 400
    named = Visitor(office, "Ida Brook")
    assert "Ida Brook" in named.get("/").text
    office.close()


def test_the_door_brakes_guessing_and_forgets_after_a_day() -> None:
    now = [0.0]
    gate = Door(named=False, secret=SECRET, clock=lambda: now[0])
    for _ in range(door.WRONG_TRIES):
        assert gate.enter("guess", "x") == ""
    with pytest.raises(Braked):
        gate.enter(SECRET, "x")
    now[0] += door.BRAKE_SECONDS + 1
    session = gate.enter(SECRET, "x")
    assert gate.visitor(session) is not None
    assert gate.visitor("other") is None
    now[0] += door.SESSION_SECONDS + 1
    assert gate.visitor(session) is None


def test_the_door_keeps_a_bounded_number_of_sessions() -> None:
    now = [0.0]
    gate = Door(named=False, secret=SECRET, clock=lambda: now[0])
    first = gate.enter(SECRET, "x")
    for _ in range(door.MOST_SESSIONS):
        now[0] += 1
        last = gate.enter(SECRET, "x")
    assert gate.visitor(first) is None
    assert gate.visitor(last) is not None


def test_bodies_are_bounded_by_what_is_said_and_by_what_comes(visitor: Visitor) -> None:
    headers = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    said = headers | {"content-length": str(guard.MOST_FORM_BYTES + 1)}
    assert visitor.client.post("/papers", content=b"", headers=said).status_code == 413

    def endless() -> Iterator[bytes]:
        for _ in range(guard.MOST_FORM_BYTES // 1000 + 2):
            yield b"a" * 1000

    assert visitor.client.post("/papers", content=endless(), headers=headers).status_code == 413


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py",
        "/document?set=..&file=job.toml", "/document?set=&file=../../job.toml",
        "/chart/..%2f..%2fjob.svg", "/panel?name=../../etc/passwd",
        "/link?id=../../../etc/passwd", "/question?id=../../x", "/held?dump=../../job.toml",
    ],
)  # fmt: skip
def test_no_path_of_a_request_reaches_the_files(visitor: Visitor, path: str) -> None:
    answer = visitor.get(path)
    assert answer.status_code == 404
    assert "root:" not in answer.text
    assert "[cords]" not in answer.text
