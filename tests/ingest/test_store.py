from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import intake, plugins, readings, store, views
from ingest.job import Job
from rules import columns, tables
from tests.ingest import sample


def test_the_journal_mode_follows_the_version() -> None:
    modes = {v: store.journal_mode(v) for v in ((3, 40, 1), (3, 51, 2), (3, 51, 3), (3, 60, 0))}
    assert list(modes.values()) == ["delete", "delete", "wal", "wal"]


@pytest.fixture(params=["delete", "wal"])
def mode(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Either journal mode, whatever this SQLite would get."""
    monkeypatch.setattr(store, "journal_mode", lambda: request.param)
    return str(request.param)


def test_work_goes_on_in_either_mode(job: Job, mode: str) -> None:
    intake.take_bytes(job, sample.dump(sample.labels(3)), "a.csv", "page")
    assert views.status(job)["balance"]["read"] == 3
    with store.reader(job.store) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == mode
        assert connection.execute("PRAGMA query_only").fetchone()[0] == 1


def test_a_long_write_does_not_keep_readers_waiting(job: Job, mode: str) -> None:
    rows = [(f"k{i}", "x" * 200) for i in range(30_000)]
    with store.writer(job.store) as connection, store.transaction(connection):
        connection.executemany("INSERT INTO meta VALUES (?, ?)", rows)  # far beyond the cache
        begin = time.monotonic()
        with store.reader(job.store) as reader:
            assert (
                reader.execute("SELECT count(*) FROM meta WHERE key LIKE 'k%'").fetchone()[0] == 0
            )
        assert time.monotonic() - begin < 2
    with store.reader(job.store) as reader:
        assert (
            reader.execute("SELECT count(*) FROM meta WHERE key LIKE 'k%'").fetchone()[0] == 30_000
        )


@pytest.mark.skipif(os.name == "nt", reason="kill -9")
def test_a_reader_meets_the_hot_journal_of_a_killed_writer(job: Job, mode: str) -> None:
    code = (
        "import sqlite3, sys, time\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('PRAGMA cache_size = 5'); c.execute('BEGIN IMMEDIATE')\n"
        "c.execute(\"DELETE FROM meta\")\n"
        "rows = ((f'k{i}', 'x' * 500) for i in range(5000))\n"
        "c.executemany('INSERT INTO meta VALUES (?, ?)', rows)\n"
        "print('spilt', flush=True); time.sleep(60)"
    )  # fmt: skip
    done = subprocess.Popen([sys.executable, "-c", code, str(job.store)], stdout=subprocess.PIPE)
    assert done.stdout is not None
    done.stdout.readline()
    done.send_signal(signal.SIGKILL)
    done.wait()
    done.stdout.close()
    assert mode == "wal" or job.store.with_name(job.store.name + "-journal").exists()
    with store.reader(job.store) as connection:
        assert store.meta(connection, "files")
        assert (
            connection.execute("SELECT count(*) FROM meta WHERE key LIKE 'k%'").fetchone()[0] == 0
        )
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


@pytest.mark.parametrize(
    "table", ["entry", "reading", "constant", "fault", "context", "plan_link", "plan_columns"]
)
def test_what_is_kept_cannot_be_changed(worked: Job, table: str) -> None:
    with sqlite3.connect(worked.store) as connection:
        count = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        if not count:
            connection.execute(f"INSERT INTO {table} DEFAULT VALUES")
        for act in (f"DELETE FROM {table}", f"UPDATE {table} SET rowid = rowid + 100"):
            with pytest.raises(sqlite3.IntegrityError, match=f"{table} is append-only"):
                connection.execute(act)
    connection.close()


TEXTS = st.sampled_from(["", "A-1", "ä ♥", "=1+1", "x" * 40])
FLOATS = st.one_of(st.just(float("nan")), st.floats(-60, 20).map(lambda v: round(v, 3)))


@st.composite
def extracts(draw: st.DrawFn) -> pd.DataFrame:
    count = draw(st.integers(1, 5))
    columns: dict[str, Any] = {}
    for name, kind in tables.EXTRACTED.items():
        once = draw(st.booleans())
        if kind == "float":
            values: list[Any] = draw(st.lists(FLOATS, min_size=count, max_size=count))
        elif kind == "int":
            values = draw(st.lists(st.integers(-1, 9), min_size=count, max_size=count))
        elif kind == "when":
            days = draw(st.lists(st.integers(0, 40), min_size=count, max_size=count))
            values = [pd.NaT if d > 30 else pd.Timestamp("2026-03-01") + pd.Timedelta(days=d)
                      for d in days]  # fmt: skip
        else:
            values = draw(st.lists(TEXTS, min_size=count, max_size=count))
        columns[name] = values[:1] * count if once else values
    frame = pd.DataFrame(columns)
    return tables.conform(frame, tables.EXTRACTED)


@settings(derandomize=True, max_examples=15, deadline=None)
@given(st.lists(extracts(), min_size=1, max_size=3))
def test_readings_come_back_exactly_as_they_were_put(
    tmp_path_factory: pytest.TempPathFactory, dumps: list[pd.DataFrame]
) -> None:
    path = tmp_path_factory.mktemp("store") / "x.db"
    with store.writer(path) as connection, store.transaction(connection):
        for number, frame in enumerate(dumps, 1):
            sha256 = f"{number:02x}" * 32
            connection.execute(
                "INSERT INTO dump (id, sha256, name, arrived_at, parser, state, aside) "
                "VALUES (?, ?, ?, 'now', 'p', 'taken', 0)", (number, sha256, f"{number}.csv"),
            )  # fmt: skip
            span = readings.put(connection, number, sha256, frame)
            connection.execute(
                "UPDATE dump SET first_row = ?, last_row = ?, varying = ? WHERE id = ?",
                (*span, number),
            )
    with store.reader(path) as connection:
        stored, rows = readings.load(connection)
    assert stored["reading_id"].is_unique
    assert rows.is_unique
    assert {c for c, t in stored.dtypes.items() if columns.is_few(t)} == {
        name for name, kind in tables.STORED.items() if kind == "few"
    }
    stored = tables.spelled(stored)
    assert {c: str(t) for c, t in stored.dtypes.items()} == {
        name: "str" if kind == "few" else tables.DTYPES[kind]
        for name, kind in tables.STORED.items()
    }
    whole = pd.concat(dumps, ignore_index=True)
    names = list(tables.EXTRACTED)
    by = np.lexsort((rows.to_numpy(),))
    pd.testing.assert_frame_equal(stored[names].iloc[by].reset_index(drop=True), whole)


def test_two_values_at_one_place_have_two_ids() -> None:
    frame = tables.conform(pd.DataFrame({
        "line": [4, 4, 5], "column": [1, 1, 1], "wavelength_nm": 850, "direction": "a-b",
        "quantity": "power",
    }), tables.EXTRACTED)  # fmt: skip
    assert readings.ids("ab" * 32, frame).tolist() == [
        "abababababababab.4.1.850abp", "abababababababab.4.1.850abp.2",
        "abababababababab.5.1.850abp",
    ]  # fmt: skip


def test_installed_parsers_are_asked_and_bad_ones_named(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Good:
        name, version = "zz-own", 3

        def recognise(self, dump: Any) -> Any: ...

        def parse(self, dump: Any) -> Any: ...

    class Taken(Good):
        name = "comma-preamble"

    class Point:
        def __init__(self, name: str, found: Any) -> None:
            self.name, self.found = name, found

        def load(self) -> Any:
            if isinstance(self.found, Exception):
                raise self.found
            return self.found

    points = [Point("a", Good), Point("b", ImportError("no such thing")), Point("c", Taken()),
              Point("d", lambda: 3)]  # fmt: skip
    monkeypatch.setattr(plugins, "entry_points", lambda group: points)
    found = plugins.of_job(job)
    assert "zz-own" in [parser.name for parser in found.parsers]
    assert len(found.problems) == 3
    assert found.problems[0] == "plug-in b: ImportError: no such thing"
    assert "the name comma-preamble is taken" in " ".join(found.problems)


def test_the_view_readings_says_what_the_dumps_say(worked: Job) -> None:
    from ingest import readings

    with closing(sqlite3.connect(Path(worked.store))) as connection:
        view = pd.read_sql_query("SELECT * FROM readings ORDER BY reading_id", connection)
        stored, _ = readings.load(connection)
    names = [name for name in tables.READINGS if name in tables.STORED]
    assert sorted(view.columns) == sorted(names)
    wanted = stored.sort_values("reading_id", ignore_index=True)
    for name in set(names) - {"taken_at"}:
        pd.testing.assert_series_equal(
            view[name].astype(wanted[name].dtype), wanted[name], obj=name
        )
