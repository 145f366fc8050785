"""Many jobs at once: sums over their exported Parquet, worked out by DuckDB.

Every reading is read, none is loaded: the scans below group the readings of all jobs by run, meter
and wavelength, and everything else is worked out from those groups. A file that turns out to be
damaged in the middle is named and left out, and the scan is made again without it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest import collected, portfolio_sql, sets
from ingest.errors import BadInput
from rules import tables

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

COLUMNS: Mapping[str, tables.Columns] = {
    "completion": tables.COMPLETION, "readings": tables.READINGS, "runs": tables.RUNS,
    "grades": tables.GRADES, "findings": tables.FINDINGS, "job": collected.JOB,
    "instruments": collected.INSTRUMENTS,
}  # fmt: skip
"""Tables that are read, with their contracts."""

NEEDS: Mapping[str, tuple[str, ...]] = {
    "completion": ("scope", "planned", "measured", "accepted", "failed", "doubtful", "no_limit",
                   "blocked", "waived", "links_planned", "links_ready"),
    "readings": ("reading_id", "quantity", "duplicate_of", "run_id", "meter_serial",
                 "source_serial", "operator", "wavelength_nm", "reference_dbm", "taken_at_utc"),
    "runs": ("run_id", "meter_serial", "source_serial", "people", "cords", "cord_grade"),
    "grades": ("link_id", "kind", "wavelength_nm", "fibre_type", "reading_ids", "margin_db",
               "grade"),
    "findings": ("code", "severity", "link_id", "run_id"),
    "instruments": tuple(collected.INSTRUMENTS),
    "job": tuple(collected.JOB),
}  # fmt: skip
"""Columns that are read; a file without one of them is named and left out."""

SECTIONS = ("jobs", "failures", "causes", "crews", "instruments", "cords")
_SQL = dict.fromkeys(tables.TEXTS, "VARCHAR") | {
    "int": "BIGINT", "float": "DOUBLE", "flag": "BOOLEAN",
}  # fmt: skip

Row = dict[str, Any]
Progress = Callable[[int, int], None]


@dataclass
class Portfolio:
    """What was found over all jobs; each section is a list of rows as `portfolio_sql` says."""

    total: Row
    jobs: list[Row]
    failures: list[Row]
    causes: list[Row]
    crews: list[Row]
    instruments: list[Row]
    cords: list[Row]
    files: int
    bytes: int
    problems: list[sets.Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def summarise(
    folders: Sequence[Path],
    today: date,
    within_days: int = 60,
    progress: Progress = lambda _done, _total: None,
) -> Portfolio:
    """Sum up every exported job below `folders`.

    An instrument is due when its calibration ends within `within_days` of `today`. Raises BadInput
    without the extra, or for a folder that holds no exported job.
    """
    try:
        import duckdb  # noqa: F401
    except ImportError:
        raise BadInput("'portfolio' needs an extra: pip install 'glasstally[portfolio]'.") from None
    found = sets.find(folders, NEEDS)
    with _connection() as connection:
        base = _Base(connection, found, progress)
        base.scan()
        rows = {
            name: base.rows(sql, today, today + timedelta(days=within_days))
            for name, sql in portfolio_sql.SECTIONS.items()
        }
    used = [path for one in found.sets for path in one.files.values()]
    (total,) = rows.pop("total")
    return Portfolio(
        total=total, **rows, files=len(used), bytes=sum(path.stat().st_size for path in used),
        problems=found.problems, notes=found.notes,
    )  # fmt: skip


@contextmanager
def _connection() -> Iterator[DuckDBPyConnection]:
    """Open a database in memory that spills into a folder of its own and asks no network."""
    import duckdb

    with tempfile.TemporaryDirectory(prefix="glasstally-") as spill:
        config: dict[str, Any] = {
            "temp_directory": spill, "autoinstall_known_extensions": False,
            "preserve_insertion_order": False,
        }  # fmt: skip
        with closing(duckdb.connect(":memory:", config=config)) as connection:
            yield connection


@dataclass
class _Base:
    """The Parquet files as tables, and the groups that were scanned out of them."""

    connection: DuckDBPyConnection
    found: sets.Found
    progress: Progress

    def scan(self) -> None:
        """Make every temporary table; name a file that breaks a scan and begin again without it."""
        import duckdb

        for number, (name, (table, sql)) in enumerate(portfolio_sql.SCANS.items()):
            self.progress(number, len(portfolio_sql.SCANS))
            try:
                if table:
                    self._open(table)
                self.connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {sql}")
            except duckdb.Error:
                if not table or not self._leave_out(table):
                    raise
                return self.scan()
            if name == "named":
                self._name()
        return None

    def _name(self) -> None:
        """Say which job each folder is of, and count each job once."""
        said = self.connection.execute("SELECT job, job_id, name, as_of FROM named").fetchall()
        for number, job_id, name, as_of in said:
            one = self.found.sets[number]
            one.job_id, one.name, one.as_of = job_id or one.job_id, name or one.name, as_of
        sets.count_once(self.found)
        self.connection.execute(
            "CREATE OR REPLACE TEMP TABLE jobs (job INTEGER, name VARCHAR, folder VARCHAR)"
        )
        rows = [(n, one.name, str(one.folder)) for n, one in enumerate(self.found.sets)]
        self.connection.executemany("INSERT INTO jobs VALUES (?, ?, ?)", rows)

    def rows(self, sql: str, today: date, horizon: date) -> list[Row]:
        """Run a query over the scanned groups; give its rows as plain values."""
        days = {"today": today.isoformat(), "horizon": horizon.isoformat()}
        given = {name: day for name, day in days.items() if f"${name}" in sql}
        cursor = self.connection.execute(sql, given)
        names = [column[0] for column in cursor.description or ()]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]

    def _open(self, table: str) -> None:
        """Make the view `table` over the files of all jobs, with the number of the job."""
        paths = {str(one.files[table]): number for number, one in enumerate(self.found.sets)
                 if table in one.files}  # fmt: skip
        needed = ", ".join(NEEDS[table])
        if not paths:
            nothing = ", ".join(f"NULL::{_SQL[COLUMNS[table][c]]} AS {c}" for c in NEEDS[table])
            source = f"SELECT 0 AS job, {nothing} WHERE false"
        else:
            files = ", ".join(_quoted(_escaped(path)) for path in paths)
            job = f"[{', '.join(map(str, paths.values()))}][file_index::BIGINT + 1] AS job"
            source = f"SELECT {job}, {needed} FROM read_parquet([{files}])"
        self.connection.execute(f"CREATE OR REPLACE TEMP VIEW {table} AS {source}")

    def _leave_out(self, table: str) -> bool:
        """Look at each file of a table on its own; leave out and name those that break.

        First the ends of the files alone; only where these are sound, every value.
        """
        columns = ", ".join(NEEDS[table])
        return any(
            self._break(table, look)
            for look in (f"SELECT {columns} FROM {{}} LIMIT 0",
                         f"SELECT bit_xor(hash({columns})) FROM {{}}")
        )  # fmt: skip

    def _break(self, table: str, look: str) -> bool:
        import duckdb

        gone = False
        for one in self.found.sets:
            path = one.files.get(table)
            if path is None:
                continue
            try:
                source = f"read_parquet({_quoted(_escaped(str(path)))})"
                self.connection.execute(look.format(source)).fetchall()
            except duckdb.BinderException as error:
                self.found.problems.append(sets.foreign(path, str(error)))
            except duckdb.Error as error:
                self.found.problems.append(sets.damaged(path, str(error)))
            else:
                continue
            del one.files[table]
            gone = True
        return gone


def _escaped(path: str) -> str:
    """Write a path so that the signs of a pattern stand for themselves."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in path)


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
