"""What is decided on the page is what the terminal would have journalled."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import lxml.html
import pytest

from desk.demo import Made
from desk.page.door import Door
from desk.page.office import Office
from desk.page.shelf import Shelf
from ingest import acts, views
from ingest.errors import BadInput
from ingest.job import Job
from rules.codes.questions import QUESTIONS
from tests.desk.page_client import SECRET, Visitor, office_of


@pytest.fixture
def office(job_copy: Path) -> Iterator[Office]:
    opened = office_of(job_copy, named=True)
    yield opened
    opened.close()


def entries(folder: Path, kind: str) -> list[dict[str, Any]]:
    with sqlite3.connect(folder / "glasstally.db") as connection:
        rows = connection.execute(
            "SELECT who, body FROM entry WHERE kind = ? ORDER BY at, seq", (kind,)
        ).fetchall()
    return [json.loads(body) | {"who": who} for who, body in rows]


def open_question(office: Office) -> dict[str, Any]:
    """Return the heaviest open question that labels gave rise to."""
    return next(q for q in views.questions(office.job(), "open") if q["code"] in QUESTIONS)


def test_an_answer_is_journalled_with_the_visitor_and_can_be_taken_back(office: Office) -> None:
    ida = Visitor(office, "Ida Brook")
    asked = open_question(office)
    before = {q["question_id"] for q in views.questions(office.job(), "open")}
    answer = ida.send("/answer", question=asked["question_id"], choice="leave-out", why="spares")
    assert answer.status_code == 200
    assert "Answered" in answer.text
    (kept,) = entries(office.folder, "answer")
    assert (kept["who"], kept["action"], kept["why"]) == ("Ida Brook", "leave-out", "spares")
    assert sorted(kept["reading_ids"]) == sorted(asked["reading_ids"])
    assert asked["question_id"] not in {
        q["question_id"] for q in views.questions(office.job(), "open")
    }
    back = ida.send("/undo")
    assert "taken back" in back.text
    assert {q["question_id"] for q in views.questions(office.job(), "open")} == before
    assert "no answer of yours" in ida.send("/undo").text


def test_a_name_put_right_is_learnt_and_both_are_taken_back(office: Office) -> None:
    job = office.job()
    labels = {
        q["question_id"]: {r["label"] for r in views.question(job, q["question_id"])["rows"]}
        for q in views.questions(job, "open")
    }
    twelve = {f"K0B-{port:02d}" for port in range(1, 13)}
    asked = next(question for question, typed in labels.items() if typed == twelve)
    ida = Visitor(office, "Ida Brook")
    ida.send(
        "/answer", question=asked, choice="rename", typed="K0B", meant="K0C",
        why="name of the panel before",
    )  # fmt: skip
    placed, learnt = entries(office.folder, "answer")
    assert set(placed["link_ids"]) == {label.replace("B", "C") for label in twelve}
    assert (learnt["action"], json.loads(learnt["argument"])) == ("alias", ["K0B", "K0C"])
    link = lxml.html.document_fromstring(ida.get("/link?id=K0C-01").text).text_content()
    assert "answer: place" in link
    assert "name of the panel before" in link
    assert "answer: place" not in ida.get("/link?id=K0C-13").text
    assert "K0B is read as K0C" in ida.get("/papers").text
    ida.send("/undo")
    assert [entry["id"] for entry in entries(office.folder, "undo")] == [
        learnt["answer_id"], placed["answer_id"],
    ]  # fmt: skip


def test_the_second_to_answer_sees_what_the_first_said(office: Office) -> None:
    ida, bea = Visitor(office, "Ida Brook"), Visitor(office, "Bea Hale")
    asked = open_question(office)["question_id"]
    bea.get(f"/question?id={asked}")
    ida.send("/answer", question=asked, choice="leave-out", why="brought by mistake")
    answer = bea.send("/answer", question=asked, choice="outside-plan")
    assert "Somebody else was faster" in answer.text
    assert "Ida Brook" in answer.text
    assert "brought by mistake" in answer.text
    assert len(entries(office.folder, "answer")) == 1


@pytest.mark.parametrize("choice", ["", "place", "99", "shift", "nonsense"])
def test_a_choice_that_is_none_says_so_and_journals_nothing(office: Office, choice: str) -> None:
    ida = Visitor(office, "Ida Brook")
    asked = open_question(office)["question_id"]
    answer = ida.send("/answer", question=asked, choice=choice)
    assert answer.status_code == 200
    assert 'role="alert"' in answer.text
    assert entries(office.folder, "answer") == []


def test_decisions_of_every_kind_reach_the_journal(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    ida = Visitor(office, "Ida Brook")
    with monkeypatch.context() as once:
        # the figures are worked out once, after all of them
        once.setattr(acts, "refresh", lambda _: None)
        for kind, subject in (
            ("note", "W0A-01"), ("skipped", "W0A-02"), ("blocked", "W0D-40"),
            ("repair", "W0A-17"), ("waiver", "W0J-41, W0J-42"), ("release", "CS1"),
            ("confirm-limit", "tia-568.3-d"),
        ):  # fmt: skip
            ida.send("/papers", kind=kind, subject=subject, why="as seen on site")
        kept = entries(office.folder, "act")
        ida.send("/papers/undo", id=kept[4]["act_id"])
    assert [act["kind"] for act in kept] == [
        "note", "note", "note", "repair", "waiver", "waiver", "release", "confirm-limit",
    ]  # fmt: skip
    assert {act["who"] for act in kept} == {"Ida Brook"}
    shown = ida.get("/papers").text
    assert "W0J-42" in shown
    assert "taken back by Ida Brook" in shown
    assert "waived" not in {t["state"] for t in views.link(office.job(), "W0J-41")["tests"]}
    assert "waived" in {t["state"] for t in views.link(office.job(), "W0J-42")["tests"]}
    assert {t["state"] for t in views.link(office.job(), "W0D-40")["tests"]} == {"blocked"}
    assert ">confirmed<" in ida.get("/papers").text


def test_a_decision_about_nothing_known_says_so(office: Office) -> None:
    ida = Visitor(office, "Ida Brook")
    for kind, subject, words in (
        ("repair", "W9Z-01", "No link"), ("waiver", "W0A-01", "reason in words"),
        ("release", "nowhere", "no cable, area or building"), ("odd", "W0A-01", "Unknown kind"),
        ("note", "", "what it is about"),
    ):  # fmt: skip
        answer = ida.send("/papers", kind=kind, subject=subject)
        assert words in answer.text, kind
    assert entries(office.folder, "act") == []


def test_uploads_are_taken_in_whatever_they_are_called(office: Office, demo_made: Made) -> None:
    ida = Visitor(office, "Ida Brook")
    data = demo_made.dumps[0].read_bytes().replace(b"W0A-01", b"W0A-1 ")
    names = ["../../../etc/shadow.csv", "..\\..\\boot.csv"]
    answer = ida.send(
        "/intake",
        files=[("dumps", (names[0], data)), ("dumps", (names[1], data)),
               ("dumps", ("photo.jpg", b"\xff\xd8\xff\xe0 no dump"))],
    )  # fmt: skip
    assert "2 dumps taken in. 1 had come before" in answer.text
    dumps = {row["name"]: row for row in views.dumps(office.job())}
    assert dumps["boot.csv"]["names"] == ["boot.csv", "shadow.csv"]
    assert dumps["boot.csv"]["origin"] == "page"
    assert dumps["photo.jpg"]["state"] == "held"
    assert "photo.jpg" in ida.get("/intake").text
    assert "No file was chosen" in ida.send("/intake").text


def test_a_plan_is_loaded_with_what_changed_and_a_bad_one_with_row_and_column(
    office: Office, demo_made: Made
) -> None:
    ida = Visitor(office, "Ida Brook")
    plan = demo_made.plan.read_text(encoding="utf-8")
    more = plan.replace("W0K-24,", "W0K-99,")
    answer = ida.send("/plan", files={"plan": ("new plan.csv", more.encode())})
    assert "Plan revision 2: 600 links; 1 added, 0 changed, 1 removed." in answer.text
    assert "1 links added, 1 removed" in ida.get("/").text
    bad = plan.replace("62.0", "long", 1)
    answer = ida.send("/plan", files={"plan": ("bad.csv", bad.encode())})
    assert answer.status_code == 400
    assert "row 2" in answer.text
    assert "length_m" in answer.text


def test_run_sheets_are_entered_changed_and_refused(office: Office) -> None:
    ida = Visitor(office, "Ida Brook")
    answer = ida.send(
        "/sheets", sheet="S16", meter="MC-7719", source="SC-7801", meter_end="a",
        dump="meter-c-thursday.csv", first_slot="99", last_slot="147", people="Moreau",
        ref_1310="-6.94", start="2026-11-12 13:20", end="2026-11-12 14:15",
    )  # fmt: skip
    assert "Run sheet S16 is kept" in answer.text
    runs = views.runs(office.job())
    assert any(run["sheet_id"] == "S16" and run["meter_end"] == "a" for run in runs)
    ida.send("/sheets", edited="S16", sheet="S16", meter="MC-7719", people="Moreau, Hadzic",
             meter_end="", dump="meter-c-thursday.csv")  # fmt: skip
    page = ida.get("/sheets?edit=S16").text
    assert "Moreau, Hadzic" in page
    answer = ida.send("/sheets", sheet="S99", meter="M", start="yesterday")
    assert "found &#39;yesterday&#39;" in answer.text
    assert 'value="yesterday"' in answer.text


def test_long_work_does_not_keep_the_form_waiting(office: Office) -> None:
    go_on = threading.Event()
    office.patience = 0.05
    visitor = Visitor(office, "Ida Brook")
    person = office.door.visitor(visitor.client.cookies["glasstally"])
    assert person is not None
    done: list[int] = []
    assert not office.change("Slow work", lambda _: go_on.wait(10) and 7, person, done.append)
    assert "Slow work …" in visitor.get("/").text
    go_on.set()
    office.close()
    assert done == [7]
    assert "Slow work" not in visitor.get("/").text


def test_trouble_in_the_background_is_shown_on_every_page_until_it_is_gone(office: Office) -> None:
    visitor = Visitor(office, "Ida Brook")

    def fail(_: Job) -> None:
        raise ZeroDivisionError

    office.start("Reckoning", fail).exception(10)
    for path in ("/", "/panels"):
        assert "Reckoning: our error" in visitor.get(path).text
    office.start("Reckoning", lambda _: None).result(10)
    assert "our error" not in visitor.get("/").text


def test_figures_are_worked_out_in_a_process_of_their_own(
    job_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest import current, derive

    def not_here(job: Job) -> None:
        raise AssertionError("evaluated where pages are served")

    monkeypatch.setattr(derive, "_bring", not_here)
    office = Office(job_copy, Door(named=False, secret=SECRET), patience=300.0, away=True)
    visitor = Visitor(office)
    answer = visitor.send("/papers", kind="note", subject="W0A-01", why="cap was missing")
    assert "is in the journal" in answer.text
    assert not current.why_stale(office.job())
    with (job_copy / "job.toml").open("a", encoding="utf-8") as out:
        out.write("\nlimits = 7\n")
    with pytest.raises(BadInput):  # what goes wrong there is said here
        derive_away(office)
    office.close()


def derive_away(office: Office) -> None:
    assert office._away is not None
    office._away(office.folder)


def test_the_shelf_computes_once_per_state_even_when_asked_at_once() -> None:
    shelf, calls, gate = Shelf(), [], threading.Barrier(8)

    def make() -> int:
        calls.append(1)
        return len(calls)

    found: list[int] = []

    def ask() -> None:
        gate.wait(10)
        found.append(shelf.get("m1", "key", make))

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert found == [1] * 8
    assert shelf.get("m2", "key", make) == 2
    assert shelf.get("m2", "key", make) == 2


def test_a_change_by_another_process_shows_at_once(office: Office) -> None:
    visitor = Visitor(office, "Ida Brook")
    visitor.get("/papers")
    acts.note(office.job(), "W0A-01", "seen from the terminal", by="Otto")
    assert "seen from the terminal" in visitor.get("/papers").text


UNKNOWN = (
    "Nr;Faser;Wellenl.;Pegel;Ref;Zeit\n"
    "1;W0J-01;1310;-7,94;-7,02;2026-11-16 10:00\n2;W0J-01;1550;-7,84;-7,22;2026-11-16 10:00\n"
    "3;W0J-02;1310;-7,99;-7,02;2026-11-16 10:02\n4;W0J-02;1550;-7,91;-7,22;2026-11-16 10:02\n"
)
"""An invented layout that no shipped profile reads."""


def test_a_held_dump_is_read_once_its_draft_is_accepted(office: Office) -> None:
    ida = Visitor(office, "Ida Brook")
    ida.send("/intake", files={"dumps": ("strange.txt", UNKNOWN.encode())})
    (row,) = [d for d in views.dumps(office.job()) if d["state"] == "held"]
    page = lxml.html.document_fromstring(ida.get(f"/held?dump={row['sha256']}").text)
    toml = page.get_element_by_id("toml").text or ""
    assert "W0J-01" in page.text_content()
    assert "8 readings" in page.text_content() or "4 readings" in page.text_content()
    bad = ida.send("/held", dump=row["sha256"], toml=toml.replace("[profile]", "[pro"), do="accept")
    assert 'role="alert"' in bad.text
    blind = toml.replace("'^Nr;", "'^Never;")
    assert (
        "does not recognise" in ida.send("/held", dump=row["sha256"], toml=blind, do="accept").text
    )
    assert list((office.folder / "profiles").iterdir()) == []
    tried = ida.send("/held", dump=row["sha256"], toml=toml, do="try")
    assert "0 faults" in tried.text
    accepted = ida.send("/held", dump=row["sha256"], toml=toml, do="accept")
    assert "The profile is stored" in accepted.text
    assert {d["state"] for d in views.dumps(office.job())} == {"taken"}
    assert ida.get(f"/held?dump={row['sha256']}").status_code == 404


def test_a_dump_brought_by_mistake_is_set_aside(office: Office) -> None:
    ida = Visitor(office, "Ida Brook")
    ida.send("/intake", files={"dumps": ("holiday.jpg", b"\xff\xd8\xff\xe0\0 no dump")})
    (row,) = [d for d in views.dumps(office.job()) if d["state"] == "held"]
    assert "It is no text" in ida.get(f"/held?dump={row['sha256']}").text
    ida.send("/held", dump=row["sha256"], do="aside", why="a holiday picture")
    (row,) = [d for d in views.dumps(office.job()) if d["name"] == "holiday.jpg"]
    assert row["state"] == "set-aside"
