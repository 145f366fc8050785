from __future__ import annotations

import errno
import json
import os
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ingest import acts, current, dumps, intake, lock, originals, session, store, views
from ingest.errors import BadInput, Damaged, NotNow
from ingest.job import Job
from ingest.jobtemplate import Beginning
from parsers import registry
from tests.ingest import sample

PROFILE = """
[profile]
name = "own-layout"
version = 1
layout = "delimited"
[recognise]
all = ['^label;nm;loss$']
[text]
encoding = "utf-8"
[numbers]
decimal_mark = "."
[delimited]
separator = ";"
[[table]]
header = ["label", "nm", "loss"]
record = ["label"]
[table.fields]
label = { column = "label" }
wavelength = { column = "nm" }
[[table.values]]
column = "loss"
quantity = "attenuation"
unit = "dB"
"""


def entries(job: Job, kind: str = "") -> list[dict[str, Any]]:
    lines = [
        line for path in job.journals.glob("*.jsonl") for line in path.read_text().splitlines()
    ]
    return [e for e in map(json.loads, lines) if kind in ("", e["kind"])]


def files(job: Job) -> dict[str, bytes]:
    kept = ("originals", "journal", "plan")
    return {
        str(path): path.read_bytes()
        for folder in kept for path in (job.folder / folder).rglob("*") if path.is_file()
    }  # fmt: skip


def test_a_receipt_closes_and_says_what_to_do(worked: Job, tmp_path: Path) -> None:
    path = tmp_path / "again.csv"
    path.write_bytes(sample.dump(["1A.10", "9Z.98"], 3.5, day=4))
    (receipt,) = intake.take(worked, [path])
    heaps = {k: v for k, v in receipt.balance.items() if k not in ("read", "doubtful")}
    assert receipt.balance["read"] == sum(heaps.values()) == 2
    assert receipt.outcome == "taken"
    assert receipt.parser == "comma-preamble"
    assert receipt.questions
    assert receipt.needs_person
    assert {row["link_id"] for row in receipt.todo} >= {"1A.11", "1A.12"}
    id_ = receipt.sha256[:16] + ".4.8.850aba"
    acts.answer(worked, "asked", "place", [id_], ["1A.10"], by="admin")
    (later,) = intake.receipts(worked, [intake.Arrived("again.csv", receipt.sha256)])
    assert [failure["link_id"] for failure in later.failures] == ["1A.10"]


def test_the_same_bytes_under_another_name_add_nothing(worked: Job, tmp_path: Path) -> None:
    path = tmp_path / "a copy.csv"
    path.write_bytes(sample.dump(sample.labels(6)))
    before = views.status(worked)["balance"]
    (receipt,) = intake.take(worked, [path])
    assert receipt.outcome == "again"
    assert views.status(worked)["balance"] == before
    assert len(entries(worked, "arrived-again")) == 1
    (dump,) = [d for d in views.dumps(worked) if d["sha256"] == receipt.sha256]
    assert (dump["name"], dump["names"]) == ("a copy.csv", ["a copy.csv", "monday.csv"])


def test_two_equal_rows_of_one_dump_both_count(worked: Job) -> None:
    data = sample.HEAD.encode() + b"1,1A.10,,850,A>B,,,0.50,ok,2026-03-04 08:01:00\n" * 2
    receipt = intake.take_bytes(worked, data, "twice.csv", "page")
    assert receipt.balance["read"] == 2
    with store.reader(worked.store) as connection:
        rows = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    assert rows == 6 + 4 + 2


ODD = (
    (b"", "the file is empty"),
    (b"\0" * 5_000_000, "the file holds nothing but blanks"),
    (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, "no profile claims it"),
    (b"hello\n", "no profile claims it"),
    (b"\xff\xfe" + "Stored".encode("utf-16-le"), "no profile claims it"),
)


def test_what_is_no_dump_is_held_with_its_bytes_and_a_reason(worked: Job, tmp_path: Path) -> None:
    paths = [tmp_path / f"odd{i}.csv" for i in range(len(ODD))]
    for path, (data, _) in zip(paths, ODD, strict=True):
        path.write_bytes(data)
    for receipt, (data, reason) in zip(intake.take(worked, paths), ODD, strict=True):
        assert (receipt.outcome, receipt.reason) == ("held", reason)
        assert originals.read(worked.originals, receipt.sha256) == data
        copy = worked.held / f"{receipt.sha256[:12]}-{receipt.name}"
        assert copy.read_bytes() == data
        assert reason in copy.with_name(copy.name + ".txt").read_text("utf-8")


def test_what_is_no_file_is_refused(worked: Job, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "x")
    before = files(worked)
    found = intake.take(worked, [tmp_path / "none", tmp_path, tmp_path / "link"])
    assert [r.reason for r in found] == [
        "there is no such file", "a folder, not a file", "a link, not a file",
    ]  # fmt: skip
    assert all(r.outcome == "refused" and r.needs_person for r in found)
    assert files(worked) == before


def test_a_held_dump_is_read_again_when_its_profile_arrives(worked: Job) -> None:
    receipt = intake.take_bytes(worked, b"label;nm;loss\n1A.10;850;0.4\n", "own.csv", "page")
    assert receipt.outcome == "held"
    (worked.folder / "profiles" / "own.toml").write_text(PROFILE, "utf-8")
    assert current.why_stale(worked) == "job.toml, a profile or a limit set was edited"
    assert views.status(worked)["dumps"] == {"taken": 3}
    assert list(worked.held.iterdir()) == []
    (entry,) = entries(worked, "profile")
    assert entry["body"]["text"] == PROFILE


def test_a_broken_profile_is_a_problem_not_an_end(worked: Job) -> None:
    from ingest import plugins

    (worked.folder / "profiles" / "bad.toml").write_text("[profile\n", "utf-8")
    found = plugins.of_job(worked)
    assert len(found.problems) == 1
    assert found.problems[0].startswith("profiles/bad.toml: ")
    assert intake.take_bytes(worked, sample.dump(["1A.10"]), "x.csv", "page").outcome == "taken"


def test_a_parser_that_fails_holds_the_dump_three_times_at_most(
    worked: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Broken:
        name, version = "broken", 1

        def recognise(self, dump: Any) -> Any:
            return registry.Match("yes", "always")

        def parse(self, dump: Any) -> Any:
            raise ZeroDivisionError("our bug")

    monkeypatch.setattr(dumps.plugins, "of_job", lambda job: dumps.plugins.Parsers((Broken(),), ()))
    good = b"anything\n"
    receipt = intake.take_bytes(worked, good, "x.csv", "page")
    assert (receipt.outcome, receipt.reason) == ("held", "our error")
    for _ in range(4):
        intake.sweep(worked)
    bugs = sorted((worked.folder / "logs").glob("bug-*.txt"))
    assert len(bugs) == 3
    assert "ZeroDivisionError: our bug" in bugs[0].read_text()
    assert receipt.sha256 in bugs[0].read_text()
    assert originals.read(worked.originals, receipt.sha256) == good


def test_set_aside_takes_out_and_bring_back_returns(worked: Job) -> None:
    before = views.status(worked)
    dump = views.find_dump(worked, "monday.csv")
    acts.set_aside(worked, dump["sha256"], why="wrong job", by="admin")
    assert views.status(worked)["balance"]["read"] == 4
    with pytest.raises(BadInput, match="set aside already"):
        acts.set_aside(worked, dump["sha256"], why="twice")
    acts.bring_back(worked, dump["sha256"], why="right job")
    after = views.status(worked)
    assert {k: v for k, v in after.items() if k != "as_of"} == {
        k: v for k, v in before.items() if k != "as_of"
    }


@pytest.mark.parametrize("step", ["original", "journal", "readings", "derived"])
def test_every_step_that_a_crash_cut_off_is_finished_later(
    worked: Job, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    data = sample.dump(["1A.10"], day=4)

    def crash(*_args: Any, **_kwargs: Any) -> None:
        raise KeyboardInterrupt

    place = {
        "original": (intake, "writing"), "journal": (session, "_mirror"),
        "readings": (intake, "read_pending"), "derived": (intake, "refresh"),
    }[step]  # fmt: skip
    with monkeypatch.context() as patch:
        patch.setattr(*place, crash)
        with pytest.raises(KeyboardInterrupt):
            intake.take_bytes(worked, data, "late.csv", "page")
    assert originals.digest(data) in set(originals.listed(worked.originals))
    notes = intake.sweep(worked)
    assert bool(notes) == (step == "original")
    status = views.status(worked)
    assert status["balance"]["read"] == 11
    assert status["dumps"] == {"taken": 3}
    assert len([e for e in entries(worked) if e["kind"] == "arrival"]) == 3


def test_a_full_disk_gives_one_message_and_changes_nothing(
    worked: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = files(worked)

    def refuse(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", refuse)
        with pytest.raises(NotNow, match="the disk is full; free some space") as caught:
            intake.take_bytes(worked, sample.dump(["1A.10"]), "x.csv", "page")
    assert len(caught.value.lines) == 1
    assert files(worked) == before
    assert intake.take_bytes(worked, sample.dump(["1A.10"]), "x.csv", "page").outcome == "taken"


def test_a_database_locked_by_another_program_is_not_now(
    worked: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "WRITER_BUSY_MS", 50)
    other = sqlite3.connect(worked.store, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(NotNow, match="another program is writing to this job"):
            acts.note(worked, "1A.01", "x")
    finally:
        other.execute("ROLLBACK")
        other.close()
    assert acts.note(worked, "1A.01", "x")


def test_who_waits_for_the_lock_is_told_who_works(worked: Job) -> None:
    with (
        lock.held(worked.folder, "take big.csv", "2026-03-05T08:00:00Z"),
        pytest.raises(
            NotNow, match=rf"process {os.getpid()} \(take big.csv, since 2026-03-05T08:00:00Z\)"
        ),
        lock.held(worked.folder, "other", "", wait_s=0.05),
    ):
        pass


def test_a_torn_journal_line_is_set_apart_and_work_goes_on(worked: Job) -> None:
    (path,) = worked.journals.glob("*.jsonl")
    with path.open("ab") as out:
        out.write(b'{"at":"2026-03-05T')
    assert current.why_stale(worked) == "the journal has new entries"
    assert views.status(worked)["dumps"] == {"taken": 2}
    assert len(list(worked.journals.glob("*.torn-*"))) == 1
    assert acts.note(worked, "1A.01", "fine")


def test_a_journal_whose_tail_is_cut_stops_every_command(worked: Job) -> None:
    (path,) = worked.journals.glob("*.jsonl")
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]))
    with pytest.raises(Damaged, match="the tail is cut"):
        views.status(worked)
    with pytest.raises(Damaged, match="the tail is cut"):
        acts.note(worked, "1A.01", "x")
    path.unlink()
    with pytest.raises(Damaged, match="is gone"):
        acts.note(worked, "1A.01", "x")


def test_a_job_is_made_only_in_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("")
    with pytest.raises(BadInput, match="is not empty"):
        Job.create(tmp_path, Beginning("x"))
    with pytest.raises(BadInput, match="holds no job"):
        Job.open(tmp_path)


def test_an_edit_of_job_toml_is_journalled_by_the_next_command(worked: Job) -> None:
    path = worked.folder / "job.toml"
    path.write_text(path.read_text().replace('name = "test job"', 'name = "renamed"'))
    job = replace(Job.open(worked.folder), clock=worked.clock)
    assert views.status(job)["name"] == "renamed"
    assert [e["body"]["file"] for e in entries(job, "settings")] == ["job.toml", "job.toml"]
    assert "renamed" in entries(job, "settings")[-1]["body"]["text"]


def test_a_long_lived_job_never_writes_old_settings_back(worked: Job) -> None:
    path = worked.folder / "job.toml"
    text = path.read_text()
    path.write_text(text.replace('name = "test job"', 'name = "renamed"'))
    assert acts.note(worked, "1A.01", "from a page that was opened before the edit")
    assert "renamed" in entries(worked, "settings")[-1]["body"]["text"]
    assert acts.note(worked, "1A.01", "again")
    assert len(entries(worked, "settings")) == 2
    path.write_text(text + "no toml")
    intake.receive(worked, sample.dump(["1A.10"], day=4), "x.csv", "page")  # bytes are safe
    with pytest.raises(BadInput, match="not valid TOML"):
        views.status(worked)


def test_an_undone_answer_no_longer_counts(worked: Job) -> None:
    odd = views.find_dump(worked, "tuesday.csv")["sha256"][:16] + ".7.8.850aba"
    id_ = acts.answer(worked, "asked", "outside-plan", [odd], why="spare", by="admin")
    assert views.status(worked)["balance"]["outside_plan"] == 1
    acts.undo(worked, id_, why="was wrong", by="admin")
    assert views.status(worked)["balance"]["outside_plan"] == 0
    with pytest.raises(BadInput, match="undone already"):
        acts.undo(worked, id_, why="again")
    with pytest.raises(BadInput, match="No reading 'nope'"):
        acts.answer(worked, "q", "leave-out", ["nope"])


def test_views_need_neither_pandas_nor_sqlite_utils(worked: Job) -> None:
    import subprocess
    import sys

    code = (
        "import sys; from pathlib import Path; from ingest.job import Job\n"
        "from ingest import views\n"
        f"job = Job.open(Path({str(worked.folder)!r}));"
        "views.status(job); views.retests(job); views.questions(job); views.findings(job);"
        "print([m for m in ('pandas', 'scipy', 'sqlite_utils', 'numpy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("[]\n", "")
