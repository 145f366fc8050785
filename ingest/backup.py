"""A second copy of the whole job, and the upgrade of an older one."""

from __future__ import annotations

import secrets
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from ingest import durable, journal, lock, schema, store
from ingest.errors import BadInput, plainly
from ingest.job import Job


def backup(job: Job, to: Path) -> Path:
    """Copy the job, database and all, into a new folder; give its path.

    An existing folder gets a folder of the job's name and the time inside. The copy is a whole
    job: open it, verify it, or merge it back.
    """
    moment = job.clock()
    target = to
    if to.is_dir() and any(to.iterdir()):
        target = to / f"{job.folder.resolve().name}-{moment:%Y%m%d-%H%M%S}"
    if target.resolve().is_relative_to(job.folder.resolve()):
        raise BadInput("The backup would lie inside the job; give a folder elsewhere.")
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise BadInput(f"{target} is there already; give a new folder.")
    with lock.held(job.folder, "backup", journal.stamp(moment)), plainly(f"Copying to {target}"):
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.with_name(f"{durable.TEMPORARY}{secrets.token_hex(6)}")
        try:
            _copy(job, part)
            if target.exists():
                target.rmdir()
            part.rename(target)
            durable.sync_folder(target.parent)
        except BaseException:
            shutil.rmtree(part, ignore_errors=True)
            raise
    return target


def _copy(job: Job, part: Path) -> None:
    """Copy every file durably; the database through SQLite, so that it is whole."""
    for source in sorted(job.folder.rglob("*")):
        place = part / source.relative_to(job.folder)
        name = source.name
        if name.startswith((durable.TEMPORARY, "glasstally.")) or name.endswith(".lock"):
            continue  # the database is copied below, locks and notes belong to processes
        if source.is_symlink():
            continue
        if source.is_dir():
            place.mkdir(parents=True, exist_ok=True)
        else:
            place.parent.mkdir(parents=True, exist_ok=True)
            durable.write(place, source.read_bytes(),
                          read_only=job.originals in source.parents)  # fmt: skip
    if job.store.exists():
        copy_database(job.store, part / job.store.name)


def copy_database(source: Path, to: Path) -> None:
    """Copy a database with SQLite's backup interface."""
    with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(to)) as new:
        old.backup(new)


def upgrade(job: Job) -> str:
    """Bring an older database to this version after keeping a copy of it; say what was done."""
    with lock.held(job.folder, "upgrade", journal.stamp(job.clock())):
        found = store.version(job.store)
        if found > schema.VERSION:
            raise BadInput(
                f"This job was written by a newer Glasstally (database version {found}); "
                "install that one."
            )
        if found in (0, schema.VERSION):
            return f"Nothing to do: the job has format 1 and database version {schema.VERSION}."
        copy = job.folder / f"before-upgrade-{found}-{job.clock():%Y%m%d-%H%M%S}.db"
        with plainly("Keeping a copy of the database"):
            copy_database(job.store, copy)
        with store.writer(job.store, upgrading=True):
            pass
    return (
        f"The database went from version {found} to {schema.VERSION}; "
        f"the old one is kept as {copy.name}."
    )
