"""From what is kept to the derived tables: the only caller of `evaluate`."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import fields, replace
from typing import Any

import pandas as pd

from ingest import contradictions, frames, planload, readings, sheets, store
from ingest.decisions import decisions
from ingest.errors import BadInput
from ingest.job import Job
from ingest.schema import DERIVED, PAIR_ROWS, READING_STATE
from ingest.session import writing
from rules import limit_sets, tables
from rules.evaluate import evaluate
from rules.evaluation import Evaluation, Plan
from rules.limit_sets import LimitSet, LimitSetError
from rules.pairing import Parameters
from rules.version import __version__


def derive(job: Job) -> Evaluation:
    """Evaluate the job as it stands and store the derived tables; give the evaluation."""
    with writing(job, "derive") as session:
        return store_derived(job, session.connection)


def refresh(job: Job) -> None:
    """Bring the derived tables up to date; do nothing when they are."""
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
        store_derived(job, connection)


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


def current(connection: sqlite3.Connection) -> bool:
    """Tell whether the derived tables belong to what is kept now and to this version."""
    return store.meta(connection, "derived") == __version__


def evaluation(job: Job) -> Evaluation:
    """Evaluate the job as it stands without storing anything."""
    with store.reader(job.store) as connection:
        return _evaluate(job, connection)[0]


def own_limits(job: Job) -> dict[str, LimitSet]:
    """Return every limit set of a job by name: the shipped ones and those of its folder limits/.

    Raises BadInput for a set that cannot be used.
    """
    sets = dict(limit_sets.load())
    for file, text in job.texts("limits").items():
        try:
            own = limit_sets.read_set(text, sets)
        except LimitSetError as error:
            raise BadInput(*(f"limits/{file}: {line}" for line in str(error).split("\n"))) from None
        sets[own.name] = own
    return sets


def store_derived(job: Job, connection: sqlite3.Connection) -> Evaluation:
    """Evaluate what an open store holds and write its derived tables."""
    made, rows = _evaluate(job, connection)
    _write(connection, made, rows, inputs(job, connection))
    return made


def _evaluate(job: Job, connection: sqlite3.Connection) -> tuple[Evaluation, pd.Series[Any]]:
    number, links = planload.newest(connection)
    stored, numbers = readings.load(connection)
    # the rules put readings into an order of their own: a row number belongs to its id
    rows = pd.Series(numbers.to_numpy(), index=pd.Index(stored["reading_id"]))
    contrary = contradictions.find(connection)
    made = evaluate(
        Plan(links, number),
        stored,
        sheets.tables_of(connection),
        own_limits(job),
        contradictions.without(decisions(connection), contrary),
        parameters(connection),
        job.settings,
        _as_of(connection),
    )
    return replace(made, questions=contradictions.ask(made.questions, contrary)), rows


def parameters(connection: sqlite3.Connection) -> Parameters:
    """Return the pairing parameters: the newest journalled fit, else the shipped ones."""
    row = connection.execute(
        "SELECT at, body FROM entry WHERE kind = 'fit' ORDER BY at DESC, laptop DESC, seq DESC"
    ).fetchone()
    if row is None:
        return Parameters()
    known = {field.name for field in fields(Parameters)}
    kept = {k: v for k, v in json.loads(row[1])["parameters"].items() if k in known}
    lists = {k: tuple(v) if isinstance(v, list) else v for k, v in kept.items()}
    return Parameters(**lists | {"fitted_at": row[0]})


def _write(
    connection: sqlite3.Connection, made: Evaluation, rows: pd.Series[Any], mark: str
) -> None:
    """Replace the derived tables in one transaction; everything is computed before it begins."""
    state = made.readings.assign(row=_taken(rows, made.readings["reading_id"]))
    pairs = made.pairs.assign(row=_taken(rows, made.pairs["reading_id"]))
    lists = {
        "reading_state": frames.to_lists(tables.conform(state, READING_STATE), READING_STATE),
        "pairs": frames.to_lists(tables.conform(pairs, PAIR_ROWS), PAIR_ROWS),
    }
    for name, columns in DERIVED.items():
        if name not in lists:
            lists[name] = frames.to_lists(tables.conform(getattr(made, name), columns), columns)
    with store.transaction(connection):
        for name, columns in DERIVED.items():
            connection.execute(f"DELETE FROM derived_{name}")
            frames.insert(connection, f"derived_{name}", columns, lists[name])
        store.put_meta(connection, "as_of", made.as_of)
        store.put_meta(connection, "planned", str(len(made.planned)))
        store.put_meta(connection, "inputs", mark)
        store.put_meta(connection, "derived", __version__)


def _taken(rows: pd.Series[Any], reading_id: pd.Series[Any]) -> Any:
    """Return the row numbers of some readings, in their order."""
    return rows.to_numpy().take(rows.index.get_indexer(pd.Index(reading_id)))
