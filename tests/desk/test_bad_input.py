"""Bad input on the command line: one clear message, the right exit code, nothing stored changed."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from desk import terminal
from desk.main import build
from ingest import durable, lock, store

PLAN = "link_id,fibre_type,length_m,connections,splices,a_end,b_end\n"


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str


def glasstally(*arguments: object) -> Done:
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = terminal.guarded(lambda: build()([str(a) for a in arguments], standalone_mode=True))
        out.flush()
    return Done(int(code), out.buffer.getvalue().decode(), err.getvalue())  # type: ignore[attr-defined]


def kept(job: Path) -> dict[str, bytes]:
    """Everything that is true of a job: plans, originals and settings, byte for byte."""
    return {
        str(path.relative_to(job)): path.read_bytes()
        for path in sorted(job.rglob("*"))
        if path.is_file() and path.relative_to(job).parts[0] in ("plan", "originals", "job.toml")
    }


def stored(job: Path) -> list[tuple[object, ...]]:
    with contextlib.closing(sqlite3.connect(job / "glasstally.db")) as connection:
        return connection.execute("SELECT * FROM reading ORDER BY row").fetchall()


def fails(done: Done, code: int, *words: str) -> None:
    """One clear message and no traceback."""
    assert done.code == code, done
    assert "Traceback" not in done.out + done.err
    said = done.out + done.err
    for word in words:
        assert word in said, (word, said)


@pytest.fixture
def job(job_copy: Path) -> Path:
    return job_copy


@pytest.fixture
def unchanged(job: Path) -> Iterator[None]:
    before, rows = kept(job), stored(job)
    yield
    after = kept(job)
    assert {name: after.get(name) for name in before} == before
    assert stored(job)[: len(rows)] == rows


@pytest.mark.usefixtures("unchanged")
@pytest.mark.parametrize(
    ("name", "data", "word"),
    [
        ("empty.csv", b"", "empty"),
        ("blank.csv", b"\r\n \r\n", "blank"),
        ("photo.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, "no profile claims it"),
        ("letter.txt", b"Dear crew,\nplease call back.\n", "no profile claims it"),
    ],
)
def test_what_no_profile_claims_is_held_and_its_bytes_are_safe(
    job: Path, tmp_path: Path, name: str, data: bytes, word: str
) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    done = glasstally("--job", job, "take", path)
    fails(done, terminal.Exit.PERSON, name, word)
    assert any(p.read_bytes() == data for p in (job / "originals").rglob("*") if p.is_file())


@pytest.mark.usefixtures("unchanged")
def test_two_hundred_megabytes_of_zeros(job: Path, tmp_path: Path) -> None:
    path = tmp_path / "zeros.bin"
    with path.open("wb") as out:
        out.truncate(200 * 1024 * 1024)
    fails(glasstally("--job", job, "take", path), terminal.Exit.PERSON, "zeros.bin")


@pytest.mark.usefixtures("unchanged")
def test_a_file_that_is_not_there_and_a_folder(job: Path, tmp_path: Path) -> None:
    done = glasstally("--job", job, "take", tmp_path / "nothing.csv", tmp_path)
    fails(done, terminal.Exit.PERSON, "nothing.csv", "there is no such file", "a folder")


@pytest.mark.usefixtures("unchanged")
@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("L1,OM3,100,2,0,P:1,Q:1\nL1,OM3,100,2,0,P:2,Q:2\n", ("L1", "row 3", "link_id")),
        ("L1,OM3,about 90,2,0,P:1,Q:1\n", ("row 2", "length_m", "about 90")),
        ("L1,OM9,100,2,0,P:1,Q:1\n", ("row 2", "fibre_type", "OM9", "OM3")),
        (",OM3,100,2,0,P:1,Q:1\n", ("row 2", "link_id")),
        ("L1,OM3,-5,2,0,P:1,Q:1\n", ("row 2", "length_m", "-5")),
    ],
)
def test_a_wrong_plan_is_named_by_row_and_column(
    job: Path, tmp_path: Path, rows: str, words: tuple[str, ...]
) -> None:
    path = tmp_path / "plan.csv"
    path.write_text(PLAN + rows, encoding="utf-8")
    fails(glasstally("--job", job, "plan", "load", path), terminal.Exit.USAGE, *words)


def test_a_plan_that_is_no_table(job: Path, tmp_path: Path) -> None:
    path = tmp_path / "plan.xlsx"
    path.write_bytes(b"PK\x03\x04 not a workbook")
    fails(glasstally("--job", job, "plan", "load", path), terminal.Exit.USAGE, "plan.xlsx")


@pytest.mark.usefixtures("unchanged")
@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('decison_rule = "simple"', ("decison_rule", "did you mean decision_rule")),
        ("pause_minutes = 0", ("pause_minutes", "found 0", "> 0")),
        ('coverage_factor = "two"', ("coverage_factor", '"two"', "a number")),
        ('timezone = "Middle/Earth"', ("timezone", "Middle/Earth", "Europe/Paris")),
        ("name = [", ("job.toml", "TOML")),
        ("format = 99", ("format 99", "newer")),
    ],
)
def test_a_broken_job_toml_names_key_found_and_allowed(
    job: Path, line: str, words: tuple[str, ...]
) -> None:
    good = (job / "job.toml").read_text("utf-8")
    key = line.split(" =")[0]
    rest = "\n".join(x for x in good.split("\n") if not x.startswith(f"{key} ="))
    (job / "job.toml").write_text(f"{line}\n{rest}", "utf-8")
    fails(glasstally("--job", job, "status"), terminal.Exit.USAGE, *words)
    (job / "job.toml").write_text(good, "utf-8")


@pytest.mark.usefixtures("unchanged")
def test_no_job_at_all(job: Path, tmp_path: Path) -> None:
    fails(glasstally("--job", tmp_path, "status"), terminal.Exit.USAGE, "no job", "job.toml")


@pytest.mark.usefixtures("unchanged")
def test_an_unknown_table_link_and_scope(job: Path) -> None:
    fails(glasstally("--job", job, "export", "lengths"), terminal.Exit.USAGE, "lengths", "grades")
    fails(glasstally("--job", job, "status", "--link", "X"), terminal.Exit.USAGE, "X")
    fails(glasstally("--job", job, "status", "--scope", "city"), terminal.Exit.USAGE, "city")


@pytest.mark.usefixtures("unchanged")
def test_a_folder_without_permission(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the super-user writes anywhere, so the system's refusal is put in its place
    def refuse(path: Path, data: bytes, **_: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(durable, "write", refuse)
    path = tmp_path / "new.csv"
    path.write_text("something new\n", encoding="utf-8")
    done = glasstally("--job", job, "take", path)
    fails(done, terminal.Exit.NOT_NOW, "permission")


def full_disk(folder: Path) -> bool:
    """Mount a disk of one megabyte; only the super-user of a Unix can."""
    if not shutil.which("mount") or not hasattr(os, "geteuid") or os.geteuid() != 0:
        return False
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def test_a_full_disk(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if not full_disk(disk):
        pytest.skip("this system lets the test mount no small disk")
    try:
        done = glasstally("new", disk / "job")
        assert done.code == 0, done
        before = kept(disk / "job")
        path = tmp_path / "large.csv"
        path.write_bytes(b"1234567890\n" * 200_000)
        done = glasstally("--job", disk / "job", "take", path)
        fails(done, terminal.Exit.NOT_NOW, "full")
        assert kept(disk / "job") == before
        small = tmp_path / "small.csv"
        small.write_bytes(b"a few bytes still fit\n")
        fails(glasstally("--job", disk / "job", "take", small), terminal.Exit.PERSON, "small.csv")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.usefixtures("unchanged")
def test_a_database_locked_by_another_program(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "BUSY_MS", 50)
    monkeypatch.setattr(store, "WRITER_BUSY_MS", 50)
    monkeypatch.setattr(lock, "WAIT_S", 0.05)
    path = tmp_path / "new.csv"
    path.write_text("something new\n", encoding="utf-8")
    with contextlib.closing(
        sqlite3.connect(job / "glasstally.db", isolation_level=None)
    ) as connection:
        connection.execute("BEGIN EXCLUSIVE")
        done = glasstally("--job", job, "take", path)
        connection.execute("ROLLBACK")
    fails(done, terminal.Exit.NOT_NOW, "another program", "try again")


def test_our_own_error_is_written_down_and_never_shown_raw(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest import views

    def broken(*_: object) -> None:
        raise ZeroDivisionError("invented")

    monkeypatch.setattr(views, "status", broken)
    done = glasstally("--job", job, "status")
    fails(done, terminal.Exit.BUG, "our error", "ZeroDivisionError")
    (bug,) = (job / "logs").glob("bug-*.txt")
    assert "ZeroDivisionError: invented" in bug.read_text("utf-8")
