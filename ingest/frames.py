"""Tables of the contracts to rows of SQLite and back, by column."""

from __future__ import annotations

import gc
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from itertools import chain, islice
from typing import Any

import numpy as np
import pandas as pd

from rules import columns, tables

_SQL: Mapping[str, type] = {
    "text": str, "few": str, "json": str, "int": int, "flag": int, "float": float, "when": int,
}  # fmt: skip
"""Python type that sqlite-utils declares for a kind; `when` is whole seconds since 1970."""


_CHUNK = 50_000
"""Rows between columns and SQLite at once: few enough to bound the memory of Python objects."""
_CELLS = 999
"""Values of one statement: what every SQLite allows."""


def declared(columns: tables.Columns) -> dict[str, type]:
    """Give the declared types of a contract's columns for a STRICT table."""
    return {name: _SQL[kind] for name, kind in columns.items()}


def to_lists(frame: pd.DataFrame, columns: Mapping[str, str]) -> list[list[Any]]:
    """Turn the columns into lists of plain values; NaN and NaT become None."""
    return [_to_list(frame[name], kind) for name, kind in columns.items()]


def _to_list(column: pd.Series[Any], kind: str) -> list[Any]:
    if kind == "when":
        seconds = column.to_numpy("datetime64[s]")
        values = seconds.astype("int64").astype(object)
        values[np.isnat(seconds)] = None
        return list(values)
    if kind == "flag":
        return column.to_numpy("int64").tolist()
    return column.tolist()  # sqlite3 binds NaN as NULL


def insert(
    connection: sqlite3.Connection, table: str, frame: pd.DataFrame,
    columns: Mapping[str, str], lead: Mapping[str, Sequence[Any]] | None = None,
) -> None:  # fmt: skip
    """Insert the columns of a frame, after columns of plain values (`lead`), block by block."""
    first = lead or {}
    names = ", ".join(f'"{name}"' for name in (*first, *columns))
    width = len(first) + len(columns)
    sql = f'INSERT INTO "{table}" ({names}) VALUES '
    with _uncollected():
        for at in range(0, len(frame), _CHUNK):
            block = slice(at, at + _CHUNK)
            lists = [values[block] for values in first.values()]
            lists += to_lists(frame.iloc[block], columns)
            _insert_lists(connection, sql, lists, max(1, _CELLS // width))


def _insert_lists(
    connection: sqlite3.Connection, sql: str, lists: list[Sequence[Any]], together: int
) -> None:
    """Insert columns of plain values, many rows with each statement: half the time of one each."""
    count, width = len(lists[0]), len(lists)
    marks = f"({', '.join('?' * width)})"
    cells = chain.from_iterable(zip(*lists, strict=True))
    whole, left = divmod(count, together)
    for times, rows in ((whole, together), (left, 1)):
        filled = (tuple(islice(cells, rows * width)) for _ in range(times))
        connection.executemany(sql + ", ".join([marks] * rows), filled)


def delete(
    connection: sqlite3.Connection, table: str, column: str, values: Iterable[str] | Iterable[int]
) -> None:
    """Delete the rows whose column is among some values, inside the caller's transaction."""
    left = iter(values)
    while some := list(islice(left, _CHUNK)):
        connection.execute(
            f'DELETE FROM "{table}" WHERE "{column}" IN (SELECT value FROM json_each(?))',
            (json.dumps(some),),
        )


@contextmanager
def _uncollected() -> Iterator[None]:
    """Leave the collector off: millions of row tuples, none in a cycle, would set it off."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def select(connection: sqlite3.Connection, sql: str, arguments: Sequence[Any],
           columns: Mapping[str, str]) -> pd.DataFrame:  # fmt: skip
    """Run a query whose result has exactly `columns` and return it as a table of the contract."""
    pieces: dict[str, list[Any]] = {name: [] for name in columns}
    with _uncollected(), closing(connection.execute(sql, arguments)) as cursor:
        while rows := cursor.fetchmany(_CHUNK):
            for (name, kind), values in zip(columns.items(), zip(*rows, strict=True), strict=True):
                pieces[name].append(from_values(values, kind))
    return pd.DataFrame({name: joined(pieces[name], kind) for name, kind in columns.items()})


def from_values(values: Sequence[Any], kind: str) -> Any:
    """Turn stored values of one column into an array of the contract's type."""
    if kind in tables.TEXTS:
        return pd.array(values, dtype="str")
    if kind == "when":
        present = np.array([0 if v is None else v for v in values], dtype="int64")
        moments = present.astype("datetime64[s]")
        moments[[v is None for v in values]] = np.datetime64("NaT")
        return moments
    return np.array(values, dtype={"flag": "bool", "float": "float64", "int": "int64"}[kind])


def joined(pieces: Sequence[Any], kind: str) -> pd.Series[Any]:
    """Join arrays of one column into a series of the contract's type."""
    dtype = tables.DTYPES[kind]
    if not pieces:
        return pd.Series(dtype=dtype)
    if kind in tables.TEXTS:
        parts = [pd.Series(piece, dtype="str") for piece in pieces]
        whole = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
        return columns.to_few(whole) if kind == "few" else whole
    return pd.Series(np.concatenate(pieces)).astype(dtype)
