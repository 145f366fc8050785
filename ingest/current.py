"""Is the store up to date? Told from file sizes and hashes alone, so that reading stays quick."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from pathlib import Path

from ingest import journal, store
from ingest.errors import NotNow
from ingest.job import Job
from rules.version import __version__


def ensure(job: Job) -> None:
    """Catch up with the journal, edits by hand and unread dumps, where there are any."""
    if why_stale(job):
        from ingest import derive, dumps

        dumps.read_pending(job)
        derive.refresh(job)


def why_stale(job: Job) -> str:
    """Say why the store must catch up before it is read; empty if it need not."""
    job = job.fresh()
    if not job.store.exists():
        return "there is no database yet"
    try:
        with store.reader(job.store) as connection:
            return _why(job, connection)
    except NotNow:
        # a crash left a journal that only a writer may roll back; opening for writing does it
        return "the database was left in the middle of a write"


def _why(job: Job, connection: sqlite3.Connection) -> str:
    try:
        if store.meta(connection, "derived") != __version__:
            return "something arrived since the tables were derived"
        if store.meta(connection, "files") != files_mark(job):
            return "job.toml, a profile or a limit set was edited"
        known = dict(connection.execute("SELECT laptop, offset FROM chain").fetchall())
    except sqlite3.OperationalError as error:
        if "no such" in str(error):
            return "the database is empty"
        raise
    sizes = {path.stem: _size(path) for path in journal.chains(job.journals)}
    return "" if sizes == known else "the journal has new entries"


def files_mark(job: Job) -> str:
    """Give one hash over job.toml and the job's own profiles and limit sets."""
    return hashlib.sha256(json.dumps(job.fingerprints(), sort_keys=True).encode()).hexdigest()


def _size(path: Path) -> int:
    return path.stat().st_size
