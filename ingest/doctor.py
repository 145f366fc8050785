"""Look at the laptop and the job and say what was found, good or bad."""

from __future__ import annotations

import json
import os
import platform
import shutil
import sqlite3
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from ingest import current, durable, journal, line, plugins, store
from ingest.errors import Trouble
from ingest.job import Job
from rules.version import __version__

State = Literal["fine", "note", "bad"]
_LOW_BYTES = 500_000_000
_NETWORK = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "afs", "ceph")


@dataclass(frozen=True)
class Finding:
    """One thing that doctor looked at."""

    topic: str
    state: State
    text: str


def examine(job: Job) -> list[Finding]:
    """Examine the program, the laptop and the job; nothing is changed."""
    return [*_program(), *_folder(job), *_store(job), *_journal(job), *_dumps(job)]


def _program() -> Iterator[Finding]:
    yield Finding("program", "fine", f"Glasstally {__version__}, Python {platform.python_version()}"
                  f" on {platform.system()}")  # fmt: skip
    version, mode = sqlite3.sqlite_version, store.journal_mode()
    why = (
        "3.51.3 mended the bug that could corrupt a write-ahead log"
        if mode == "wal"
        else "versions before 3.51.3 can corrupt a write-ahead log when two programs write"
    )
    yield Finding("database", "fine", f"SQLite {version}: journal mode {mode}, because {why}; "
                  "every commit is flushed (synchronous FULL)")  # fmt: skip
    for extra, package in (("portfolio", "duckdb"), ("cluster", "dask")):
        has = find_spec(package) is not None
        yield Finding(
            "extras", "fine" if has else "note",
            f"{extra}: installed" if has
            else f"{extra}: not installed (pip install 'glasstally[{extra}]')",
        )  # fmt: skip


def _folder(job: Job) -> Iterator[Finding]:
    free = shutil.disk_usage(job.folder).free
    yield Finding("disk", "bad" if free < _LOW_BYTES else "fine", f"{free / 1e9:.1f} GB are free")
    kind = network(job.folder)
    if kind:
        yield Finding("disk", "bad", f"the job lies on a network folder ({kind}): keep the job on "
                      "this laptop, SQLite's locks do not hold there")  # fmt: skip
    for name in ("originals", "journal", "."):
        if not os.access(job.folder / name, os.W_OK):
            yield Finding("disk", "bad", f"{name} cannot be written by this user")
    parts = sorted(job.folder.rglob(f"{durable.TEMPORARY}*"))
    if parts:
        yield Finding("disk", "note", f"{len(parts)} unfinished files; the next sweep removes them")
    ports = line.ports()
    yield Finding("ports", "fine", "; ".join(ports) if ports else "no serial port found")


def network(folder: Path) -> str:
    """Name the kind of network folder that `folder` lies on, empty if it is local."""
    resolved = folder.resolve()
    if sys.platform == "win32":
        return "a share" if str(resolved).startswith("\\\\") else ""
    try:
        mounts = [m.split()[1:3] for m in Path("/proc/mounts").read_text("utf-8").splitlines()]
    except OSError:
        return ""
    inside = [(place, kind) for place, kind in mounts if resolved.is_relative_to(place)]
    kind = max(inside, key=lambda mount: len(mount[0]))[1] if inside else ""
    return kind if kind in _NETWORK else ""


def _store(job: Job) -> Iterator[Finding]:
    why = current.why_stale(job)
    if why:
        yield Finding("database", "note", f"it has to catch up: {why}")
    try:
        with store.reader(job.store) as connection:
            said = connection.execute("PRAGMA quick_check").fetchone()[0]
    except (Trouble, sqlite3.Error) as error:
        yield Finding("database", "bad", str(error))
        return
    sound = said == "ok"
    text = "quick check: " + ("sound" if sound else f"{said}; run rebuild")
    yield Finding("database", "fine" if sound else "bad", text)
    writer = job.folder / "glasstally.writer"
    if writer.exists():
        try:
            at_work = json.loads(writer.read_text("utf-8"))
            yield Finding("lock", "note", f"process {at_work['process']} is at work: "
                          f"{at_work['doing']}, since {at_work['since']}")  # fmt: skip
        except (OSError, ValueError, KeyError):
            yield Finding("lock", "note", "a writer left its name; the next one clears it")


def _journal(job: Job) -> Iterator[Finding]:
    newest = ""
    for path in journal.chains(job.journals):
        head = journal.Head()
        try:
            for _, head in journal.read(path):  # noqa: B007
                pass
        except Trouble as error:
            yield Finding("journal", "bad", f"{error} Run verify.")
            continue
        newest = max(newest, head.at)
        yield Finding("journal", "fine", f"{path.name}: {head.seq} entries, the last {head.at}")
        if path.stat().st_size > head.offset:
            yield Finding("journal", "note", f"{path.name}: a torn last line; the next writing "
                          "command sets it apart")  # fmt: skip
    now = journal.stamp(job.clock())
    if newest > now:
        yield Finding("clock", "bad", f"this laptop's clock says {now}, the newest entry was made "
                      f"at {newest}: set the clock")  # fmt: skip
    else:
        yield Finding("clock", "fine", f"this laptop's clock says {now}")


def _dumps(job: Job) -> Iterator[Finding]:
    found = plugins.of_job(job)
    yield Finding("profiles", "fine", f"{len(found.parsers)} can be asked")
    for problem in found.problems:
        yield Finding("profiles", "bad", problem)
    versions = {parser.name: parser.version for parser in found.parsers}
    try:
        with store.reader(job.store) as connection:
            rows = connection.execute(
                "SELECT name, state, reason, parser, parser_version FROM dump WHERE aside = 0 "
                "ORDER BY arrived_at, sha256"
            ).fetchall()
    except (Trouble, sqlite3.Error):
        return
    yield Finding("dumps", "fine", f"{sum(row[1] == 'taken' for row in rows)} are read")
    for name, state, reason, parser, version in rows:
        if state in ("held", "failed"):
            yield Finding("dumps", "bad", f"{name} waits: {reason}")
        elif state == "taken" and versions.get(parser) != version:
            yield Finding("dumps", "note", f"{name} was read by {parser} version {version}; now it "
                          f"is {versions.get(parser, 'gone')}: rebuild reads it again")  # fmt: skip
