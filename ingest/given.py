"""What is kept of a job, as an evaluation region by region takes it (`ingest.partwise`)."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ingest import pairings, planload, readings, sheets
from ingest.job import Job
from ingest.kept import parameters_from, sets_from
from rules.columns import Ints
from rules.evaluation import Decisions, Plan, RunSheets
from rules.limit_sets import LimitSet
from rules.pairing import Ground, Memory, Parameters
from rules.settings import Settings
from rules.version import __version__


@dataclass(frozen=True)
class Given:
    """What is kept of a job but its readings, which are loaded dump by dump."""

    mark: str
    """Digest of all that every region rests on, but for the decisions."""
    ground: Ground
    run_sheets: RunSheets
    sets: Mapping[str, LimitSet]
    decided: Decisions
    dumps: Mapping[str, tuple[Any, ...]]
    """What results depend on of each dump that counts, by its hash: first its name."""
    sizes: Mapping[str, int]
    """Readings of each of them."""
    carried: Callable[[Collection[str]], pd.DataFrame]
    """Read which meters and sources some dumps hold (`regions.CARRIED`)."""
    some_labels: Callable[[Collection[str]], pd.DataFrame]
    """Read a good part of the labels of some dumps, each once: dump_sha256, label."""
    load: Callable[[Collection[str]], tuple[pd.DataFrame, Ints]]
    """Read the readings of some dumps: STORED and their row numbers."""
    remembered: Callable[[str], Memory | None]
    """Read what pairing settled of a region before."""

    @property
    def settings(self) -> Settings:
        """Return the settings of the job."""
        return self.ground.settings


_SIZE = "last_row - first_row + 1"
_COUNTING = "FROM dump WHERE state = 'taken' AND aside = 0 AND last_row >= first_row"
"""Dumps of which readings count."""


def readings_of(connection: sqlite3.Connection) -> int:
    """Count the readings that an evaluation is given."""
    row = connection.execute(f"SELECT coalesce(sum({_SIZE}), 0) {_COUNTING}").fetchone()
    return int(row[0])


def read(job: Job, connection: sqlite3.Connection, decided: Decisions) -> Given:
    """Read what an open store keeps but for the readings, which are read dump by dump."""
    rows = connection.execute(
        f"SELECT sha256, {_SIZE}, name, arrived_at, parser, parser_version {_COUNTING}"
    ).fetchall()

    def load(hashes: Collection[str]) -> tuple[pd.DataFrame, Any]:
        stored, numbers = readings.load(connection, hashes)
        return stored, numbers.to_numpy()

    limits = job.texts("limits")
    mark = repr((__version__, pairings.code(), job.text, sorted(limits.items())))
    return Given(
        mark, _ground(job, connection), sheets.tables_of(connection), sets_from(limits), decided,
        {sha256: tuple(rest) for sha256, _, *rest in rows}, {row[0]: row[1] for row in rows},
        lambda hashes: readings.carried(connection, hashes),
        lambda hashes: readings.some_labels(connection, hashes), load,
        lambda region: pairings.load(connection, region),
    )  # fmt: skip


_GROUND: dict[str, Ground] = {}
"""The plan last evaluated, laid out: a watch takes in dump after dump on the same one."""


def _ground(job: Job, connection: sqlite3.Connection) -> Ground:
    rates = parameters(connection)
    key = repr((planload.mark(connection), rates, job.settings))
    if key not in _GROUND:
        number, links = planload.newest(connection)
        _GROUND.clear()
        _GROUND[key] = Ground(Plan(links, number), rates, job.settings)
    return _GROUND[key]


def parameters(connection: sqlite3.Connection) -> Parameters:
    """Return the pairing parameters: the newest journalled fit, else the shipped ones."""
    row = connection.execute(
        "SELECT at, body FROM entry WHERE kind = 'fit' ORDER BY at DESC, laptop DESC, seq DESC"
    ).fetchone()
    if row is None:
        return Parameters()
    return parameters_from(json.loads(row[1])["parameters"] | {"fitted_at": row[0]})
