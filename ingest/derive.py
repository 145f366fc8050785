"""From what is kept in the store to its derived tables."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Generator, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from ingest import (
    contradictions,
    given,
    journal,
    lock,
    partwise,
    planload,
    readings,
    results,
    sharing,
    sheets,
    store,
    territory,
    unclear,
)
from ingest.beside import Beside
from ingest.decisions import decisions
from ingest.job import Job
from ingest.judged import Dumps, Judged
from ingest.kept import Kept, sets_from
from ingest.session import writing
from rules.columns import Ints
from rules.evaluation import Evaluation, Plan
from rules.limit_sets import LimitSet
from rules.version import __version__

_WAIT_S = 600.0
"""How long to wait for another process's evaluation; a million readings take about a minute."""


def derive(job: Job) -> Evaluation:
    """Bring the derived tables up to date and give the evaluation of the whole job."""
    refresh(job)
    return kept(job).evaluated()


def refresh(job: Job) -> None:
    """Bring the derived tables up to date; do nothing when they are."""
    away = sharing.AWAY.get()
    if away is not None:
        away(job.folder)
        return
    job = job.fresh()
    with turn(job):
        with writing(job, "derive") as session:
            connection = session.connection
            if current(connection):
                return
            if store.meta(connection, "inputs") == inputs(job, connection):
                # a copy arrived, a dump is held: the results stand, only the journal went on
                with store.transaction(connection):
                    store.put_meta(connection, "as_of", _as_of(connection))
                    store.put_meta(connection, "derived", __version__)
                return
        _bring(job)


def turn(job: Job) -> AbstractContextManager[None]:
    """Let one process derive at a time; who waited mostly finds the work done."""
    since = journal.stamp(job.clock())
    return lock.held(job.folder, "derive", since, _WAIT_S, name="derive")


def _bring(job: Job) -> None:
    """Evaluate without the writer's lock; with it only where something came in meanwhile."""
    with store.reader(job.store) as connection:
        mark = inputs(job, connection)
        write = _evaluated(job, connection, mark)
    with writing(job, "derive") as session:
        if inputs(job, session.connection) != mark:
            mark = inputs(job, session.connection)
            write = _evaluated(job, session.connection, mark)
        with store.transaction(session.connection):
            write(session.connection)
            _put_meta(session.connection, mark)


def _evaluated(
    job: Job, connection: sqlite3.Connection, mark: str
) -> Callable[[sqlite3.Connection], None]:
    """Evaluate what an open store holds; return what writes the derived tables."""
    if contradictions.find(connection):  # they are asked across all regions
        return _whole(job, connection)
    decided, undecided = decisions(connection), unclear.find(connection)
    before = territory.load(connection)
    with Beside(partial(_elsewhere, job.folder, mark), sharing.most()) as beside:
        # where much is new it is shared out: others may make ready while this one does
        known = 0 if before is None else int(before.held["region"]["readings"].sum())
        beside.start(sharing.worth(given.readings_of(connection) - known))
        kept_now = given.read(job, connection, decided)
        found = partwise.evaluate(kept_now, before, results.pack, beside)
    return lambda to: results.put_parts(to, found, unclear.ask(found.questions, undecided, decided))


@contextmanager
def _elsewhere(
    folder: Path, mark: str
) -> Iterator[Callable[[Dumps], Generator[Ints | Judged | None, None, None]]]:
    """Open a job in another process, as long as it is kept as it was when that was asked for."""
    job = Job.open(folder)
    with store.reader(job.store) as connection:
        if inputs(job, connection) != mark:
            raise EOFError("what is kept has changed")
        kept_now = given.read(job, connection, decisions(connection))
        yield partwise.Work.on(kept_now, territory.load(connection), results.pack).judged


_DECIDING = ("plan", "run-sheet", "answer", "act", "undo", "fit")
"""Kinds of journal entries that `evaluate` sees."""


def inputs(job: Job, connection: sqlite3.Connection) -> str:
    """Give one hash over everything that the results depend on; `as_of` is not among it."""
    kinds = ", ".join("?" * len(_DECIDING))
    entries = connection.execute(
        f"SELECT hash FROM entry WHERE kind IN ({kinds}) ORDER BY at, laptop, seq, hash",
        _DECIDING,
    ).fetchall()
    dumps = connection.execute(
        "SELECT sha256, name, arrived_at, parser, parser_version FROM dump "
        "WHERE state = 'taken' AND aside = 0 ORDER BY sha256"
    ).fetchall()
    kept = (__version__, job.text, sorted(job.texts("limits").items()), entries, dumps)
    return hashlib.sha256(repr(kept).encode()).hexdigest()


def _as_of(connection: sqlite3.Connection) -> str:
    row = connection.execute("SELECT coalesce(max(at), '') FROM entry").fetchone()
    return str(row[0])


def job_id(connection: sqlite3.Connection) -> str:
    """Return the id that the job got when it was made; empty where the store knows none."""
    row = connection.execute(
        "SELECT json_extract(body, '$.job') FROM entry WHERE kind = 'job' ORDER BY at, hash"
    ).fetchone()
    return str(row[0]) if row and row[0] else ""


def current(connection: sqlite3.Connection) -> bool:
    """Tell whether the derived tables belong to what is kept now and to this version."""
    return store.meta(connection, "derived") == __version__


def evaluation(job: Job) -> Evaluation:
    """Evaluate the job as it stands without storing anything."""
    return kept(job).evaluated().spelled()


def own_limits(job: Job) -> dict[str, LimitSet]:
    """Return every limit set of a job by name: the shipped ones and those of its folder limits/.

    Raises BadInput for a set that cannot be used.
    """
    return sets_from(job.texts("limits"))


def store_derived(job: Job, connection: sqlite3.Connection) -> None:
    """Evaluate what an open store holds as a whole and write its derived tables."""
    write = _whole(job, connection)
    with store.transaction(connection):
        write(connection)
        _put_meta(connection, inputs(job, connection))


def _whole(job: Job, connection: sqlite3.Connection) -> Callable[[sqlite3.Connection], None]:
    """Evaluate what an open store holds as a whole; return what writes the derived tables."""
    gathered = _gather(job, connection)
    made, ids = gathered.kept.evaluated(), gathered.kept.stored["reading_id"]
    return lambda to: results.put_whole(to, made, ids, gathered.rows)


def _put_meta(connection: sqlite3.Connection, mark: str) -> None:
    store.put_meta(connection, "as_of", _as_of(connection))
    store.put_meta(connection, "inputs", mark)
    store.put_meta(connection, "derived", __version__)


@dataclass(frozen=True)
class _Gathered:
    """What is kept, read in one consistent view, and what ties its results to the store."""

    kept: Kept
    rows: pd.Series[Any]
    """Row number of each stored reading: the rules put readings into an order of their own."""


def _gather(job: Job, connection: sqlite3.Connection) -> _Gathered:
    number, links = planload.newest(connection)
    stored, numbers = readings.load(connection)
    contrary = contradictions.find(connection)
    kept = Kept(
        Plan(links, number), stored, sheets.tables_of(connection), own_limits(job),
        contradictions.without(decisions(connection), contrary), given.parameters(connection),
        job.settings, _as_of(connection), contrary, unclear.find(connection), job_id(connection),
    )  # fmt: skip
    return _Gathered(kept, numbers)


def kept(job: Job) -> Kept:
    """Read everything that is kept of a job in one consistent view of its store."""
    job = job.fresh()
    with store.reader(job.store) as connection:
        return _gather(job, connection).kept
