"""`questions`, `answer`, `alias`, `ask-sheet`, `note`, `worklist`, on the invented job."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from desk.evidence import waterfall
from desk.main import build
from rules.codes.questions import CREW_REMEMBERS


def run(job: Path, *words: str, code: int = 0) -> str:
    result = CliRunner().invoke(build(), ["--job", str(job), *words])
    assert result.exit_code == code, result.output
    return result.output


def asked(job: Path, code: str) -> dict[str, Any]:
    rows = json.loads(run(job, "questions", "--json"))
    return next(row for row in rows if row["code"] == code)


def test_questions_are_listed_by_weight_and_shown_with_their_evidence(demo_job: Path) -> None:
    rows = json.loads(run(demo_job, "questions", "--json"))
    weights = [row["weight"] for row in rows]
    assert weights == sorted(weights, reverse=True)
    shift = asked(demo_job, "shifted-run")
    shown = run(demo_job, "questions", shift["question_id"])
    assert "order of work" in shown
    assert "|#" in shown
    assert "1. " in shown


def test_an_accepted_proposal_pairs_its_readings_and_can_be_taken_back(job_copy: Path) -> None:
    shift = asked(job_copy, "shifted-run")
    made = json.loads(
        run(job_copy, "answer", shift["question_id"], "accept", "--by", "A. Tester", "--json")
    )
    later = [row["question_id"] for row in json.loads(run(job_copy, "questions", "--json"))]
    assert shift["question_id"] not in later
    run(job_copy, "answer", made["answer_id"], "--undo", "--by", "A. Tester")
    assert asked(job_copy, "shifted-run")["question_id"] == shift["question_id"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["accept", "99"], "choices"),
        (["shift", "much"], "number of ports"),
        (["choose"], "takes 1 more"),
        (["guess"], "Unknown choice"),
    ],
)
def test_a_wrong_choice_is_refused_in_words(demo_job: Path, words: list[str], said: str) -> None:
    shift = asked(demo_job, "shifted-run")
    out = CliRunner().invoke(
        build(), ["--job", str(demo_job), "answer", shift["question_id"], *words, "--by", "A"]
    )
    assert out.exit_code != 0
    text = out.output + str(out.exception or "")
    assert said in text


def test_names_are_learnt_listed_and_forgotten(job_copy: Path) -> None:
    run(job_copy, "alias", "add", "SP", "W0A", "--by", "A. Tester")
    assert [row["typed"] for row in json.loads(run(job_copy, "alias", "list", "--json"))] == ["SP"]
    run(job_copy, "alias", "drop", "SP", "--by", "A. Tester")
    assert json.loads(run(job_copy, "alias", "list", "--json")) == []


def test_the_sheet_for_the_crew_names_what_needs_their_memory_and_no_more(demo_job: Path) -> None:
    rows = json.loads(run(demo_job, "questions", "--json"))
    sheet = run(demo_job, "ask-sheet")
    for row in rows:
        assert (row["question_id"] in sheet) == (row["code"] in CREW_REMEMBERS)
    assert {row["code"] in CREW_REMEMBERS for row in rows} == {True, False}


def test_the_worklist_is_in_port_order_with_boxes_and_caution(demo_job: Path) -> None:
    rows = json.loads(run(demo_job, "worklist", "--panel", "W0A", "--all", "--json"))
    assert [int(row["port"]) for row in rows] == sorted(int(row["port"]) for row in rows)
    text = run(demo_job, "worklist", "--panel", "W0A", "--all")
    assert "[ ] skipped" in text
    assert "never look into" in text


def test_a_note_of_a_skipped_port_is_journalled(job_copy: Path) -> None:
    made = json.loads(run(job_copy, "note", "W0A-01", "behind a cabinet", "--skipped", "--json"))
    assert made["act_id"].startswith("ac-")


def test_bars_add_up_to_their_middle() -> None:
    lines = waterfall(
        [
            {"term": "label", "weight": -2.0, "text": ""},
            {"term": "order of work", "weight": 4.0, "text": ""},
        ]
    )
    assert [line.index("|") for line in lines] == [lines[0].index("|")] * 2
    assert lines[0].count("#") * 2 == lines[1].count("#")
