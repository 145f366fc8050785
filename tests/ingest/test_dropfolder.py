from __future__ import annotations

import os
from pathlib import Path

import pytest

from ingest import beat, intake, originals, store
from ingest.dropfolder import GRACE_S, TAKEN, Drop
from ingest.intake import Arrived
from ingest.job import Job
from ingest.watch import Watch
from tests.ingest import sample


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def drop(job: Job, told: list[str]) -> Drop:
    return Drop(job, 2.0, sample.Seconds(), told.append)


def sweep(drop: Drop, after: float = 0.0) -> list[str]:
    drop.seconds.at += after  # type: ignore[attr-defined]
    return [one.name for one in drop.sweep()]


def put(job: Job, name: str, data: bytes = b"some bytes\n") -> Path:
    path = job.inbox / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def test_a_file_is_taken_when_it_stood_still(job: Job, drop: Drop) -> None:
    path = put(job, "a.csv")
    assert sweep(drop) == []
    assert sweep(drop, 1.9) == []
    path.write_bytes(b"some bytes\nmore\n")
    assert sweep(drop, 0.2) == []  # it changed: wait anew
    assert sweep(drop, 2.1) == ["a.csv"]
    assert not path.exists()
    assert originals.read(job.originals, originals.digest(b"some bytes\nmore\n"))
    assert sweep(drop, 2.0) == []


def test_folders_blanks_and_other_scripts(job: Job, drop: Drop) -> None:
    for name in ("Süd/étage 2/mètre α.csv", "with blank.txt", "日本.csv"):
        put(job, name, name.encode())
    sweep(drop)
    assert sorted(sweep(drop, 2)) == ["mètre α.csv", "with blank.txt", "日本.csv"]
    assert len(list(originals.listed(job.originals))) == 3


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be made there")
def test_a_name_that_is_no_text_is_taken_under_one_that_is(job: Job, drop: Drop) -> None:
    (job.inbox / os.fsdecode(b"bad\xff.csv")).write_bytes(b"x")
    sweep(drop)
    assert sweep(drop, 2) == ["bad�.csv"]


@pytest.mark.skipif(os.name == "nt", reason="no fifos there")
def test_what_is_no_dump_is_passed_over_and_said_once(
    job: Job, drop: Drop, told: list[str]
) -> None:
    for name in (".hidden", "copying.part", "~$book.xlsx", "Thumbs.db", "x.TMP", "sub/.git/config"):
        put(job, name)
    (job.inbox / "link.csv").symlink_to(job.folder / "job.toml")
    (job.inbox / "loop").symlink_to(job.inbox)
    os.mkfifo(job.inbox / "pipe")
    for _ in range(3):
        assert sweep(drop, 5) == []
    assert sorted(told) == [
        ".hidden: ignored: a hidden or system file",
        "Thumbs.db: ignored: a hidden or system file",
        "copying.part: ignored: a temporary name; rename it when it is whole",
        "link.csv: refused: a link, not a file",
        "loop: refused: a link, not a folder",
        "pipe: refused: a device or pipe, not a file",
        "x.TMP: ignored: a temporary name; rename it when it is whole",
        "~$book.xlsx: ignored: a temporary name; rename it when it is whole",
    ]


def test_a_file_replaced_while_it_is_read_waits(
    job: Job, drop: Drop, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(job, "a.csv", b"first\n")
    sweep(drop)
    read = Path.read_bytes

    def replaced_meanwhile(self: Path) -> bytes:
        data = read(self)
        if self == path:
            other = path.with_name(".new")
            other.write_bytes(b"second\n")
            other.replace(path)
        return data

    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", replaced_meanwhile)
        assert sweep(drop, 2) == []
    assert sweep(drop, 2) == ["a.csv"]
    assert list(originals.listed(job.originals)) == [originals.digest(b"second\n")]


def test_what_a_program_still_writes_after_the_taking_is_taken_too(
    job: Job, drop: Drop, told: list[str]
) -> None:
    path = put(job, "a.csv", b"first\n")
    writer = path.open("ab")
    sweep(drop)
    assert sweep(drop, 2) == ["a.csv"]
    writer.write(b"late\n")
    writer.close()
    assert sweep(drop, 1) == []
    assert sweep(drop, 2) == ["a.csv"]
    assert set(originals.listed(job.originals)) == {
        originals.digest(b"first\n"), originals.digest(b"first\nlate\n"),
    }  # fmt: skip
    assert told == ["a.csv: was written to after it was taken; the longer dump is taken too"]
    assert sweep(drop, GRACE_S - 1) == []
    assert len(list((job.inbox / TAKEN).iterdir())) == 1
    sweep(drop, 1)
    assert list((job.inbox / TAKEN).iterdir()) == []


def test_a_file_that_cannot_be_moved_is_taken_once(
    job: Job, drop: Drop, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(job, "open.csv")
    sweep(drop)

    def refuse(self: Path, target: Path) -> None:
        raise PermissionError(13, "in use by another program")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", refuse)
        assert sweep(drop, 2) == ["open.csv"]
        assert sweep(drop, 2) == []
        assert len(told) == 1
    assert sweep(drop, 2) == []
    assert not path.exists()
    assert len(list((job.inbox / TAKEN).iterdir())) == 1


def test_a_watch_takes_what_came_while_it_was_off_and_beats(job: Job) -> None:
    put(job, "early.csv", b"no dump\n")
    seconds = sample.Seconds()
    receipts: list[intake.Receipt] = []
    watch = Watch(job, lambda text: None, receipts.append, poll=True, seconds=seconds)
    drop = Drop(job, 2.0, seconds)
    watch.step(drop)
    first = beat.last(job.folder)
    assert first is not None
    seconds.at += 2
    watch.step(drop)
    assert beat.last(job.folder) != first
    assert [(r.name, r.outcome) for r in receipts] == [("early.csv", "held")]
    assert watch.counts == {"held": 1}


def test_a_stopped_sweep_finishes_the_dump_in_hand(job: Job, drop: Drop) -> None:
    for number in range(5):
        put(job, f"{number}.csv", str(number).encode())
    sweep(drop)
    drop.seconds.at += 2  # type: ignore[attr-defined]
    taken: list[Arrived] = []
    for one in drop.sweep(lambda: len(taken) >= 2):
        taken.append(one)
    with store.reader(job.store) as connection:
        known = connection.execute("SELECT count(*) FROM dump").fetchone()[0]
    assert len(taken) == known == 2
    assert len(list(job.inbox.glob("*.csv"))) == 3
