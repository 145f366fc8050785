"""From what is kept in the store to its derived tables."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from ingest import (
    blocks,
    contradictions,
    frames,
    journal,
    linkstates,
    lock,
    memory,
    pairings,
    planload,
    readings,
    sheets,
    store,
    unclear,
)
from ingest.decisions import decisions
from ingest.job import Job
from ingest.kept import Kept, parameters_from, sets_from
from ingest.schema import BLOCKS, DERIVED
from ingest.session import writing
from rules import retests, tables
from rules.columns import positions
from rules.evaluation import Evaluation, Plan
from rules.limit_sets import LimitSet
from rules.pairing import Parameters
from rules.version import __version__

_WAIT_S = 600.0
"""How long to wait for another process's evaluation; a million readings take about a minute."""


def derive(job: Job) -> Evaluation:
    """Evaluate the job as it stands and store the derived tables; give the evaluation."""
    job = job.fresh()
    with _turn(job):
        return _bring(job)


AWAY: ContextVar[Callable[[Path], None] | None] = ContextVar("away", default=None)
"""What `refresh` hands a job's folder to instead of evaluating in this process."""


def refresh(job: Job) -> None:
    """Bring the derived tables up to date; do nothing when they are."""
    away = AWAY.get()
    if away is not None:
        away(job.folder)
        return
    job = job.fresh()
    with _turn(job):
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


def _turn(job: Job) -> AbstractContextManager[None]:
    """Let one process derive at a time; who waited mostly finds the work done."""
    since = journal.stamp(job.clock())
    return lock.held(job.folder, "derive", since, _WAIT_S, name="derive")


def _bring(job: Job) -> Evaluation:
    """Evaluate without the writer's lock; with it only where something came in meanwhile."""
    memory.give_back()  # reading the dumps took as much
    with store.reader(job.store) as connection:
        gathered, before = _gather(job, connection), pairings.load(connection)
    made = gathered.kept.evaluated(before)
    with writing(job, "derive") as session:
        if inputs(job, session.connection) != gathered.mark:
            return store_derived(job, session.connection)
        made = replace(made, as_of=_as_of(session.connection))
        _write(session.connection, made, gathered)
    return made


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


def store_derived(job: Job, connection: sqlite3.Connection) -> Evaluation:
    """Evaluate what an open store holds and write its derived tables."""
    gathered = _gather(job, connection)
    made = gathered.kept.evaluated(pairings.load(connection))
    _write(connection, made, gathered)
    return made


@dataclass(frozen=True)
class _Gathered:
    """What is kept, read in one consistent view, and what ties its results to the store."""

    kept: Kept
    rows: pd.Series[Any]
    """Row number of each stored reading: the rules put readings into an order of their own."""
    mark: str


def _gather(job: Job, connection: sqlite3.Connection) -> _Gathered:
    number, links = planload.newest(connection)
    stored, numbers = readings.load(connection)
    contrary = contradictions.find(connection)
    kept = Kept(
        Plan(links, number), stored, sheets.tables_of(connection), own_limits(job),
        contradictions.without(decisions(connection), contrary), parameters(connection),
        job.settings, _as_of(connection), contrary, unclear.find(connection), job_id(connection),
    )  # fmt: skip
    return _Gathered(kept, numbers, inputs(job, connection))


def kept(job: Job) -> Kept:
    """Read everything that is kept of a job in one consistent view of its store."""
    job = job.fresh()
    with store.reader(job.store) as connection:
        return _gather(job, connection).kept


def parameters(connection: sqlite3.Connection) -> Parameters:
    """Return the pairing parameters: the newest journalled fit, else the shipped ones."""
    row = connection.execute(
        "SELECT at, body FROM entry WHERE kind = 'fit' ORDER BY at DESC, laptop DESC, seq DESC"
    ).fetchone()
    if row is None:
        return Parameters()
    return parameters_from(json.loads(row[1])["parameters"] | {"fitted_at": row[0]})


def _write(connection: sqlite3.Connection, made: Evaluation, gathered: _Gathered) -> None:
    """Replace the derived tables in one transaction."""
    stored, numbers = gathered.kept.stored["reading_id"], gathered.rows.to_numpy()

    def rows_of(frame: pd.DataFrame) -> Any:
        return numbers.take(positions(stored, frame["reading_id"]))

    of_pairs = rows_of(made.pairs)
    linked = (made.pairs["link_id"] != "").to_numpy()
    own: dict[str, Callable[[], pd.DataFrame]] = {
        "reading_state": lambda: made.readings.assign(row=rows_of(made.readings)),
        "pairs": lambda: made.pairs.assign(row=of_pairs),
        "link_rows": lambda: pd.DataFrame(
            {"link_id": made.pairs["link_id"].array[linked], "row": of_pairs[linked]}
        ),
        "link_states": lambda: linkstates.count(made),
        "retests": lambda: made.retests.assign(step=retests.steps(made.retests)),
    }

    def frame_of(name: str) -> pd.DataFrame:
        memory.give_back()  # what the table before took on its way
        return own[name]() if name in own else getattr(made, name)

    with store.transaction(connection):
        for name in BLOCKS:
            blocks.put(connection, name, frame_of(name))
        pairings.keep(connection, made.memory)
        for name, columns in DERIVED.items():
            connection.execute(f"DELETE FROM derived_{name}")
            rows = tables.conform(frame_of(name), columns)
            frames.insert(connection, f"derived_{name}", rows, columns)
        store.put_meta(connection, "as_of", made.as_of)
        store.put_meta(connection, "planned", str(len(made.planned)))
        store.put_meta(connection, "inputs", gathered.mark)
        store.put_meta(connection, "derived", __version__)
