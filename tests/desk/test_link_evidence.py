"""`status --link` shows why each reading stands where it stands."""

from __future__ import annotations

import json
from pathlib import Path

from ingest import derive, views
from ingest.job import Job
from rules.pairing.questions import WORDS
from tests.desk.test_question_commands import asked, run


def pairing_of(job: Path, link: str) -> list[dict]:
    return json.loads(run(job, "status", "--link", link, "--json"))["pairing"]


def test_a_weighed_link_shows_named_terms_runner_up_and_neighbours(demo_job: Path) -> None:
    (entry,) = pairing_of(demo_job, "W0B-07")
    assert entry["label"] == "W0B-O7"
    assert (entry["how"], entry["basis"]) == ("inferred", "weighed")
    assert {term["term"] for term in entry["terms"]} <= set(WORDS)
    assert entry["runner_up"]["probability"] < 0.01
    shown = run(demo_job, "status", "--link", "W0B-07")
    for said in (
        "how: inferred   confidence: 0.99", "reason: label mistyped", "runner-up: W0B-",
        "order of work", "|#", "in time: 'W0B-O7' → W0B-07 (this one)", "in time: 'W0B-08'",
    ):  # fmt: skip
        assert said in shown, shown


def test_a_link_of_an_untroubled_panel_says_that_nothing_was_weighed(demo_job: Path) -> None:
    (entry,) = pairing_of(demo_job, "W0A-03")
    assert entry["basis"] == "sweep"
    assert entry["terms"] == []
    shown = run(demo_job, "status", "--link", "W0A-03")
    assert "port by port under the planned labels" in shown
    assert "Nothing had to be weighed" in shown
    assert "Evidence in bits" not in shown
    # the stored tables tell the same as weighing the whole job anew
    job = Job.open(demo_job)
    (anew,) = derive.kept(job).explained(entry["reading_ids"])
    assert {key: entry[key] for key in anew} == anew


def test_a_link_without_readings_shows_no_evidence_but_what_is_asked(demo_job: Path) -> None:
    shift = asked(demo_job, "shifted-run")
    link = shift["options"][0]["link_ids"][0]
    found = views.link(Job.open(demo_job), link)
    assert found["readings"] == []
    assert pairing_of(demo_job, link) == []
    assert f"Asked about this link: {shift['question_id']}" in run(
        demo_job, "status", "--link", link
    )


def test_an_answered_link_names_the_person_and_shows_no_odds(job_copy: Path) -> None:
    shift = asked(job_copy, "shifted-run")
    run(job_copy, "answer", shift["question_id"], "accept", "--by", "A. Tester")
    link = shift["options"][0]["link_ids"][0]
    (entry,) = pairing_of(job_copy, link)
    assert (entry["basis"], entry["how"], entry["terms"]) == ("answer", "answered", [])
    shown = run(job_copy, "status", "--link", link)
    assert "A person decided" in shown
    assert "A. Tester" in shown


def test_a_question_keeps_weighed_terms_apart_from_neighbours(demo_job: Path) -> None:
    question = asked(demo_job, "wrong-prefix")
    shown = run(demo_job, "questions", question["question_id"])
    bars, below = shown.split("As it was stored, and where it is placed")
    for term in question["evidence"]:
        assert (term["text"] in bars) == (term["term"] in WORDS)
        assert term["term"] in WORDS or term["text"] in below
    assert "(held)" in below
