"""Derive every table again from what is kept, in a fresh database, and swap it in when complete."""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from ingest import (
    compare,
    derive,
    dumps,
    durable,
    journal,
    lock,
    originals,
    planload,
    plugins,
    store,
)
from ingest import session as sessions
from ingest.current import ensure, files_mark
from ingest.errors import Damaged, Trouble, plainly
from ingest.job import Job


@dataclass(frozen=True)
class Outcome:
    """What a rebuild came to."""

    swapped: bool
    differences: tuple[str, ...] = ()
    """One sentence per public table whose canonical export differs; empty: equal."""
    reasons: tuple[str, ...] = ()
    """What explains a difference: parsers that read otherwise now, a damaged old database."""


def rebuild(job: Job, *, accept: bool = False) -> Outcome:
    """Derive everything anew; keep the old database where the outcome differs and is not accepted.

    Raises Damaged where an original, a plan or the journal is not as it was kept.
    """
    with suppress(Trouble):  # compare with results that are up to date, where that can be had
        ensure(job)
    since = journal.stamp(job.clock())
    # an evaluation under way would put results of the old database into the new one
    with derive.turn(job), lock.held(job.folder, "rebuild", since), fresh(job) as path:
        try:
            with store.reader(job.store) as before, store.reader(path) as after:
                reasons = _newer_parsers(before, after)
                differences = compare.public(before, after)
        except (Trouble, sqlite3.Error) as error:
            differences, reasons = [], [f"the old database could not be read: {error}"]
        if differences and not accept:
            return Outcome(False, tuple(differences), tuple(reasons))
        with plainly("Putting the new database in its place"):
            for suffix in ("-journal", "-wal", "-shm"):  # they belong to the old file only
                with suppress(FileNotFoundError):
                    job.store.with_name(job.store.name + suffix).unlink()
            durable.replace(path, job.store)
            durable.sync_folder(job.folder)
        return Outcome(True, tuple(differences), tuple(reasons))


@contextmanager
def fresh(job: Job, *, mend: bool = True) -> Iterator[Path]:
    """Build a complete database from what is kept, beside the job's own; removed afterwards."""
    path = job.folder / f"{durable.TEMPORARY}{secrets.token_hex(6)}.db"
    try:
        with store.writer(path) as connection:
            _build(job, connection, mend=mend)
        yield path
    finally:
        for suffix in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                path.with_name(path.name + suffix).unlink()


def _build(job: Job, connection: sqlite3.Connection, *, mend: bool) -> None:
    sessions.catch_up(job, connection, mend=mend)
    for sha256, name in connection.execute(
        "SELECT DISTINCT json_extract(body, '$.sha256'), json_extract(body, '$.file') "
        "FROM entry WHERE kind = 'plan' ORDER BY 1"
    ).fetchall():
        links, _ = planload.read(plan_bytes(job, sha256, name), name)
        planload.keep_links(connection, sha256, links)
    parsers = plugins.of_job(job)
    for row in dumps.pending(connection):
        dumps.settle(connection, row, dumps.read(job, row, parsers))
    with store.transaction(connection):
        store.put_meta(connection, "files", files_mark(job))
    derive.store_derived(job, connection)


def plan_bytes(job: Job, sha256: str, name: str) -> bytes:
    """Return a plan file as it was loaded; raise Damaged where no file of plan/ has its bytes."""
    with plainly("Reading plan/"):
        for path in [job.plans / name, *sorted(job.plans.iterdir())]:
            if path.is_file() and originals.digest(data := path.read_bytes()) == sha256:
                return data
    raise Damaged(f"plan/{name} is not as it was loaded (SHA-256 {sha256[:12]}).")


def _newer_parsers(before: sqlite3.Connection, after: sqlite3.Connection) -> list[str]:
    """Name the parsers that read a dump otherwise than when it was taken."""
    query = "SELECT sha256, name, parser, parser_version, state FROM dump"
    new = {row[0]: row[1:] for row in after.execute(query).fetchall()}
    out = set()
    for sha256, name, parser, version, state in before.execute(query).fetchall():
        _, parser_now, version_now, state_now = new.get(sha256, ("", parser, version, state))
        if (parser, version) != (parser_now, version_now):
            out.add(
                f"{name} was read by {parser or 'no parser'} version {version}, "
                f"now by {parser_now or 'none'} version {version_now}"
            )
        elif state != state_now:
            out.add(f"{name} was {state}, now is {state_now}")
    return sorted(out)
