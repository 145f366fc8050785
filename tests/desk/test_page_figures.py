"""Figures of the state before are shown as such until those of the new state are there."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from desk.page import board, live, panels, quality
from desk.page.door import Door
from desk.page.figures import Ahead, Figures
from desk.page.office import Office, Reader
from ingest import current, lock
from tests.desk.page_client import SECRET, Visitor, office_of
from tests.desk.test_page_acts import entries

BEHIND = "from before the latest change"


@pytest.fixture
def office(job_copy: Path) -> Iterator[Office]:
    made = office_of(job_copy)
    yield made
    made.close()


def figures_of(ahead: Ahead, make: Callable[[], int], *, settled: bool = True) -> Figures[int]:
    return ahead.glance("key", make, lambda _: True, settled=settled)


def test_earlier_figures_are_given_only_while_the_new_are_computed() -> None:
    mark, go_on = ["m1"], threading.Event()
    ahead = Ahead(lambda: mark[0], wait=0.0)
    assert figures_of(ahead, lambda: 1) == Figures("m1", 1)
    mark[0] = "m2"
    assert ahead.behind()

    def slow() -> int:
        assert go_on.wait(10)
        return 2

    assert figures_of(ahead, slow).mark == "m1"
    coming = ahead.begin("key", slow)
    go_on.set()
    assert coming.result(10).value == 2
    assert figures_of(ahead, pytest.fail).value == 2
    assert not ahead.behind()
    ahead.close()


def test_figures_that_are_soon_there_are_waited_for() -> None:
    mark = ["m1"]
    ahead = Ahead(lambda: mark[0], wait=10.0)
    figures_of(ahead, lambda: 1)
    mark[0] = "m2"
    assert figures_of(ahead, pytest.fail, settled=False).mark == "m1"
    assert figures_of(ahead, lambda: 2) == Figures("m2", 2)
    mark[0] = "m3"
    # earlier figures that do not do are never given
    assert ahead.glance("key", lambda: 3, lambda value: value > 2, settled=False).value == 3
    ahead.close()


def test_what_changes_while_figures_are_computed_leaves_them_behind() -> None:
    mark = ["m1"]
    ahead = Ahead(lambda: mark[0])

    def meanwhile() -> int:
        mark[0] = "m2"
        return 1

    assert ahead.now("key", meanwhile).mark == "m1"
    assert ahead.behind()
    ahead.close()


def test_pages_say_that_newer_figures_are_on_their_way(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow, go_on = threading.Event(), threading.Event()

    def held_up(query: Callable[[Reader], Any]) -> Callable[[Reader], Any]:
        def make(read: Reader) -> Any:
            assert not slow.is_set() or go_on.wait(60)
            return query(read)

        return make

    for module in (board, panels, quality):
        key, query = module.WARM
        monkeypatch.setattr(module, "WARM", (key, held_up(query)))
    office.warm = (board.WARM, panels.WARM, quality.WARM)
    ida = Visitor(office, "Ida Brook")
    first = re.search(r"/panel\?name=[^\"]+", ida.get("/panels").text)
    assert first
    paths = ("/", "/panels", first[0], "/quality")
    before = {path: ida.get(path).text for path in paths}
    assert not any(BEHIND in text for text in before.values())

    slow.set()
    office.ahead.wait = 0.0
    note = {"kind": "blocked", "subject": "W0D-40", "why": "no access"}
    assert "is in the journal" in ida.send("/papers", **note).text
    for path in paths:
        text = ida.get(path).text
        assert text.count(BEHIND) == 1
        # the mark of what is shown: whoever hears of a newer one asks again
        assert mark_of(text) == mark_of(before[path]) != office.mark()
    assert blocked(ida.get("/").text) == blocked(before["/"])
    assert BEHIND not in ida.get("/questions").text
    assert json.loads(live._state(office))["behind"]

    go_on.set()
    office.ahead.wait = 60.0
    for path in paths:
        text = ida.get(path).text
        assert BEHIND not in text
        assert mark_of(text) == office.mark()
    assert blocked(ida.get("/").text) != blocked(before["/"])
    assert not json.loads(live._state(office))["behind"]


def mark_of(page: str) -> str:
    found = re.search(r'data-mark="([^"]+)"', page)
    assert found
    return found[1]


def blocked(page: str) -> list[str]:
    return re.findall(r"</svg>blocked (\d+)", page)


def test_a_page_that_is_stopped_throws_the_evaluation_away_and_keeps_what_was_decided(
    job_copy: Path,
) -> None:
    office = Office(job_copy, Door(named=False, secret=SECRET), patience=0.0, away=True)
    ida = Visitor(office)
    # the evaluation waits for this lock for as long as the test holds it
    with lock.held(job_copy, "derive", "", name="derive"):
        for link in ("W0A-01", "W0A-02"):
            answer = ida.send("/papers", kind="note", subject=link, why="cap was missing")
            assert "takes a moment" in answer.text
        office.close()
    assert [note["subject"] for note in entries(job_copy, "act")][-2:] == ["W0A-01", "W0A-02"]
    assert current.why_stale(office.job())
    current.ensure(office.job())
    assert not current.why_stale(office.job())
