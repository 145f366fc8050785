"""Rows of SQLite by column: what is deleted, and what stays."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing

import pytest

from ingest import frames

NAMES = ["", "A", "a", "é", '"', "\\", "1", "A,B", "𝄞"]


@pytest.mark.parametrize("chunk", [1, 2, 100])
@pytest.mark.parametrize("gone", [[], ["A"], ["", "é", '"', "\\", "𝄞", "never"], ["1"], NAMES])
def test_rows_of_some_values_are_deleted_and_no_others(
    gone: list[str], chunk: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(frames, "_CHUNK", chunk)
    assert left(NAMES, gone, "TEXT") == [name for name in NAMES if name not in gone]


def test_rows_of_some_numbers_are_deleted() -> None:
    assert left([1, 2, 2**53 + 1, 2**53], iter([2, 2**53 + 1]), "INTEGER") == [1, 2**53]


def left(
    values: list[str] | list[int], gone: Iterable[str] | Iterable[int], kind: str
) -> list[object]:
    """Return what is left of two rows of each value, once; both must be there or neither."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        connection.execute(f"CREATE TABLE t (own {kind}) STRICT")
        for value in [*values, *values]:
            connection.execute("INSERT INTO t VALUES (?)", (value,))
        frames.delete(connection, "t", "own", gone)
        found = [value for (value,) in connection.execute("SELECT own FROM t ORDER BY rowid")]
        assert found[: len(found) // 2] == found[len(found) // 2 :]
        return found[: len(found) // 2]
