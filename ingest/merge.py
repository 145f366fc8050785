"""Bring another laptop's originals and journal into this job: nothing doubles, nothing is lost."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from ingest import durable, journal, originals, rebuild
from ingest.derive import refresh
from ingest.dumps import read_pending
from ingest.errors import BadInput, Trouble, plainly
from ingest.intake import read_again
from ingest.job import Job
from ingest.journal import Entry
from ingest.logs import log
from ingest.session import Session, catch_up, latest_files, writing


@dataclass(frozen=True)
class Merged:
    """What a merge brought."""

    entries: int
    originals: int
    notes: tuple[str, ...] = ()


def merge(job: Job, other: Path, *, another_job: bool = False) -> Merged:
    """Merge the job in folder `other` into this one; `other` is only read.

    Raises BadInput where it is no job or, without `another_job`, not a copy of the same job;
    Damaged where its journal is broken.
    """
    theirs = Job.open(other)
    if theirs.folder.resolve() == job.folder.resolve():
        raise BadInput("That is this job itself.")
    chains = {path.name: _whole(path) for path in journal.chains(theirs.journals)}
    entries = [entry for lines in chains.values() for entry in lines]
    with writing(job, f"merge {other.name}") as session:
        if not another_job and not _job_ids(entries) & _known_jobs(session.connection):
            raise BadInput(
                f"{other} is another job ({theirs.file.name}), not a copy of this one. "
                "Say --another-job if its dumps and answers belong here all the same."
            )
        brought, notes = _bring_originals(session, theirs, entries)
        notes += _bring_plans(job, theirs, entries)
        before = _count(session.connection)
        with plainly("Writing the journal"):
            for name, lines in chains.items():
                _bring_chain(job, name, lines)
        notes += catch_up(job, session.connection)
        gained = _count(session.connection) - before
        if gained:
            notes += _adopt_files(session)
            log.info("merged %s: %d entries, %d originals", other, gained, brought)
    job = Job.open(job.folder, job.clock)
    read_pending(job)
    refresh(job)
    return Merged(gained, brought, tuple(notes))


def _whole(path: Path) -> list[Entry]:
    return [entry for entry, _ in journal.read(path)]


def _job_ids(entries: list[Entry]) -> set[str]:
    return {entry.body["job"] for entry in entries if entry.kind == "job"}


def _known_jobs(connection: sqlite3.Connection) -> set[str]:
    rows = connection.execute(
        "SELECT json_extract(body, '$.job') FROM entry WHERE kind = 'job'"
    ).fetchall()
    return {row[0] for row in rows}


def _count(connection: sqlite3.Connection) -> int:
    return int(connection.execute("SELECT count(*) FROM entry").fetchone()[0])


def _bring_originals(session: Session, theirs: Job, entries: list[Entry]) -> tuple[int, list[str]]:
    """Keep every original that the other journal names; a bad copy is a note, not an end."""
    brought, notes = 0, []
    for sha256 in sorted({e.body["sha256"] for e in entries if e.kind == "arrival"}):
        try:
            data = originals.read(theirs.originals, sha256)
        except Trouble as trouble:
            if not originals.path_of(session.job.originals, sha256).exists():
                notes.append(f"{trouble} Its entry came, its bytes did not.")
            continue
        with plainly("Keeping originals"):
            new = originals.keep(session.job.originals, data)[1]
        if new:
            brought += 1
            read_again(session, sha256)
    return brought, notes


def _bring_plans(job: Job, theirs: Job, entries: list[Entry]) -> list[str]:
    notes = []
    for entry in entries:
        if entry.kind != "plan":
            continue
        sha256, name = entry.body["sha256"], entry.body["file"]
        try:
            rebuild.plan_bytes(job, sha256, name)
        except Trouble:
            try:
                data = rebuild.plan_bytes(theirs, sha256, name)
            except Trouble as trouble:
                notes.append(str(trouble))
                continue
            place = job.plans / name
            with plainly("Keeping the plan"):
                durable.write(place if not place.exists() else
                              job.plans / f"{sha256[:8]}-{name}", data)  # fmt: skip
    return notes


def _bring_chain(job: Job, name: str, lines: list[Entry]) -> None:
    """Extend our copy of a chain, or keep a chain that parted from ours as a file of its own.

    A chain parts where the same laptop went on in two copies of the job, such as after a backup
    was put back.
    """
    stem = name.removesuffix(".jsonl").split(".fork-")[0]
    hashes = [entry.hash for entry in lines]
    for path in sorted(job.journals.glob(f"{stem}*.jsonl")):
        if path.stem.split(".fork-")[0] != stem:
            continue
        own = [entry.hash for entry in _whole(path)]
        if own == hashes[: len(own)]:
            rest = lines[len(own) :]
            if rest:
                durable.append(path, b"".join(entry.line() for entry in rest))
            return
        if hashes == own[: len(hashes)]:
            return
    path = job.journals / f"{stem}.jsonl"
    if path.exists():
        path = job.journals / f"{stem}.fork-{hashes[0][:4]}{hashes[-1][:8]}.jsonl"
    if lines:
        durable.write(path, b"".join(entry.line() for entry in lines))


def _adopt_files(session: Session) -> list[str]:
    """Write job.toml, profiles and limit sets as the newest journal entry has them."""
    notes = []
    job = session.job
    prints = job.fingerprints()
    for file, (sha256, text) in latest_files(session.connection).items():
        if prints.get(file, "") == sha256 or (not sha256 and file not in prints):
            continue
        path = job.folder / file
        with plainly(f"Writing {file}"):
            if sha256:
                durable.write(path, text.encode())
            else:
                path.unlink()
        notes.append(f"{file} is now as the other laptop has it; the text before is journalled.")
    return notes
