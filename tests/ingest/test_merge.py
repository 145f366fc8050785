"""Two laptops with copies of one job: merging loses nothing, doubles nothing, asks where needed."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import acts, dumps, export, intake, merge, originals, verify, views
from ingest.errors import BadInput, Damaged
from ingest.job import Job
from tests.ingest import sample

TABLES = ("readings", "pairs", "findings", "questions", "grades", "completion", "runs")


@pytest.fixture
def laptops(worked: Job, tmp_path: Path) -> tuple[Job, Job]:
    """The job on laptop `one`, and a copy of it on laptop `two`."""
    shutil.copytree(worked.folder, tmp_path / "two")
    other = Job.open(tmp_path / "two")
    return (
        replace(worked, laptop="one"),
        replace(other, laptop="two", clock=sample.Clock("2026-03-07T08:00:30")),
    )


def exports(job: Job) -> dict[str, bytes]:
    return {name: export.render(export.table(job, name), "csv") for name in TABLES}


def bring(job: Job, data: bytes, name: str) -> None:
    """Take a dump in without deriving: the merge derives."""
    intake.receive(job, data, name, "file")
    dumps.read_pending(job)


def settle(job: Job, action: str, links: list[str] | None = None) -> str:
    """Decide about the one reading whose label no link has."""
    return acts.answer(job, "asked", action, [odd(job)], links or [], by=job.laptop)


def odd(job: Job) -> str:
    readings = export.table(job, "readings")
    (id_,) = readings.loc[readings["label"] == "9Z.99", "reading_id"]
    return str(id_)


def about_odd(job: Job) -> list[str]:
    """Codes of the open questions about that reading."""
    id_ = odd(job)
    return [q["code"] for q in views.questions(job, "open") if id_ in q["reading_ids"]]


def test_both_ways_makes_two_equal_jobs(laptops: tuple[Job, Job]) -> None:
    one, two = laptops
    bring(one, sample.dump(["1A.10"], day=4), "one.csv")
    bring(two, sample.dump(["1A.11"], day=4), "two.csv")
    bring(two, sample.dump(sample.labels(6)), "again under another name.csv")
    merged = merge.merge(one, two.folder)
    assert (merged.entries, merged.originals, merged.notes) == (2, 1, ())
    merge.merge(two, one.folder)
    assert exports(one) == exports(two)
    assert views.status(one)["balance"]["read"] == 12
    assert verify.verify(one, quick=True).head == verify.verify(two, quick=True).head
    assert merge.merge(one, two.folder) == merge.Merged(0, 0)


def test_answers_that_contradict_become_one_question(laptops: tuple[Job, Job]) -> None:
    one, two = laptops
    settle(one, "outside-plan")
    settle(two, "place", ["1A.12"])
    merge.merge(one, two.folder)
    (question,) = [q for q in views.questions(one, "open") if q["code"] == "answers-contradict"]
    assert question["message"].startswith("1 reading settled on two laptops in different ways: one")
    assert [option["action"] for option in question["options"]] == ["outside-plan", "place"]
    assert about_odd(one) == ["answers-contradict"]
    assert views.status(one)["balance"]["outside_plan"] == 0  # neither counts yet
    option = question["options"][1]
    acts.answer(one, question["question_id"], option["action"], option["reading_ids"],
                option["link_ids"], by="admin")  # fmt: skip
    assert not [q for q in views.questions(one, "open") if q["code"] == "answers-contradict"]
    (pair,) = [
        row for row in export.table(one, "pairs").to_dict("records")
        if row["reading_id"] == question["reading_ids"][0]
    ]  # fmt: skip
    assert (pair["link_id"], pair["how"]) == ("1A.12", "answered")


def test_an_answer_made_in_knowledge_of_the_other_simply_counts(laptops: tuple[Job, Job]) -> None:
    one, two = laptops
    id_ = settle(one, "outside-plan")
    merge.merge(two, one.folder)
    acts.answer(two, "again", "leave-out", [odd(two)], by="two")
    assert id_
    assert not [q for q in views.questions(two) if q["code"] == "answers-contradict"]
    assert views.status(two)["balance"]["left_out"] == 1


def test_equal_answers_do_not_contradict(laptops: tuple[Job, Job]) -> None:
    one, two = laptops
    settle(one, "outside-plan")
    settle(two, "outside-plan")
    merge.merge(one, two.folder)
    assert not [q for q in views.questions(one) if q["code"] == "answers-contradict"]
    assert views.status(one)["balance"]["outside_plan"] == 1


def test_a_chain_that_parted_is_kept_as_a_fork(worked: Job, tmp_path: Path) -> None:
    shutil.copytree(worked.folder, tmp_path / "old")
    old = replace(Job.open(tmp_path / "old"), clock=sample.Clock("2026-03-07T09:00:00"))
    acts.note(worked, "1A.01", "here")
    acts.note(old, "1A.02", "in the backup that was put back")
    merge.merge(worked, old.folder)
    assert len(list(worked.journals.glob("*.fork-*.jsonl"))) == 1
    acts.note(old, "1A.03", "and on")
    assert merge.merge(worked, old.folder).entries == 1
    assert len(list(worked.journals.glob("*.fork-*.jsonl"))) == 1
    assert verify.verify(worked).sound


def test_another_job_or_a_damaged_one_is_refused(worked: Job, tmp_path: Path) -> None:
    stranger = sample.new_job(tmp_path / "stranger", sample.Clock("2026-03-02T07:00:00"))
    intake.receive(stranger, sample.dump(["1A.10"], day=4), "x.csv", "file")
    with pytest.raises(BadInput, match="is another job"):
        merge.merge(worked, stranger.folder)
    with pytest.raises(BadInput, match="this job itself"):
        merge.merge(worked, worked.folder)
    (path,) = stranger.journals.glob("*.jsonl")
    good = path.read_bytes()
    path.write_bytes(good.replace(b'"kind":"job"', b'"kind":"joc"'))
    with pytest.raises(Damaged):
        merge.merge(worked, stranger.folder, another_job=True)
    path.write_bytes(good)
    assert merge.merge(worked, stranger.folder, another_job=True).originals == 1


def test_a_bad_original_of_the_other_is_told_and_a_good_one_mends_ours(
    laptops: tuple[Job, Job],
) -> None:
    one, two = laptops
    data = sample.dump(["1A.10"], day=4)
    bring(two, data, "two.csv")
    theirs = originals.path_of(two.originals, originals.digest(data))
    theirs.chmod(0o644)
    theirs.write_bytes(b"x")
    merged = merge.merge(one, two.folder)
    assert "not as it was received. Its entry came, its bytes did not." in merged.notes[0]
    assert views.status(one)["dumps"] == {"taken": 2, "held": 1}
    theirs.write_bytes(data)
    merge.merge(one, two.folder)
    assert originals.read(one.originals, originals.digest(data)) == data
    assert views.status(one)["dumps"] == {"taken": 3}


def test_the_newer_settings_win(laptops: tuple[Job, Job]) -> None:
    one, two = laptops
    path = two.folder / "job.toml"
    path.write_text(path.read_text().replace('site = ""', 'site = "east wing"'))
    two = replace(Job.open(two.folder), laptop="two", clock=two.clock)
    acts.note(two, "1A.01", "x")
    merged = merge.merge(one, two.folder)
    assert merged.notes == (
        "job.toml is now as the other laptop has it; the text before is journalled.",
    )
    assert Job.open(one.folder).settings.site == "east wing"
