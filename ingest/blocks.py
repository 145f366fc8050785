"""Derived tables of a row per reading or test, in the store by column: blocks of rows, in Arrow.

A million grades are written in a second, and one link's are found as quickly as an index finds
rows: a table is in order of its key, a key's rows lie in one block, and whoever looks for a key
opens the last block that does not begin after it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import arrow
from ingest.schema import BLOCKS, KEYED_BY_ROW
from rules import columns, tables

_ROWS = 8_192
"""Rows of a block, more or less: opened in a few milliseconds."""
_TOGETHER = 16
"""Blocks that are put in order at the same time."""


def put(connection: sqlite3.Connection, name: str, frame: pd.DataFrame) -> None:
    """Replace a table by the rows of a frame inside the caller's transaction.

    Rows with the same key keep their order.
    """
    connection.execute("DELETE FROM derived_block WHERE name = ?", (name,))
    connection.executemany(
        "INSERT INTO derived_block (name, first, data) VALUES (?, ?, ?)", _packed(name, frame)
    )


def _packed(name: str, frame: pd.DataFrame) -> Iterator[tuple[str, str, bytes]]:
    """Yield each block: table, key, bytes. A part of the frame at a time is put in order."""
    if name in KEYED_BY_ROW:
        key = frame["row"].to_numpy()
    else:
        (key,), _ = columns.common_codes(frame["link_id"])
    frame = frame[[column for column in BLOCKS[name] if column in frame]]
    order = None if bool((key[1:] >= key[:-1]).all()) else np.argsort(key, kind="stable")
    key = key if order is None else key[order]
    begins = np.flatnonzero(columns.starts(key))
    after = np.searchsorted(begins, np.arange(0, len(key), _ROWS))
    bounds = [*columns.distinct(begins[after[after < len(begins)]]).tolist(), len(key)]
    for at in range(0, len(bounds) - 1, _TOGETHER):
        these = bounds[at : at + _TOGETHER + 1]
        span = slice(these[0], these[-1])
        part = frame.iloc[span] if order is None else frame.take(order[span])
        whole = arrow.table(tables.conform(part, BLOCKS[name]))
        for begin, end in pairwise(these):
            block = whole.slice(begin - these[0], end - begin).combine_chunks()
            yield name, _key(name, block), arrow.pack(block)


def _key(name: str, block: Any) -> str:
    """Return the key that a block begins with."""
    if name in KEYED_BY_ROW:
        return _of_row(block["row"][0].as_py())
    return str(block["link_id"][0].as_py())


def _of_row(row: int) -> str:
    return f"{row:015d}"


def of_link(connection: sqlite3.Connection, name: str, link_id: str) -> list[dict[str, Any]]:
    """Return a link's rows as dicts of plain values, in order; flags are 0 or 1."""
    found = _holding(connection, name, link_id)
    if found is None:
        return []
    block = _opened(name, *found)
    return _plain(block.filter(pc.equal(block["link_id"], link_id)))


def of_rows(
    connection: sqlite3.Connection, name: str, rows: Sequence[int]
) -> dict[int, dict[str, Any]]:
    """Return some rows of a table keyed by row, by their number; unknown numbers are left out."""
    out: dict[int, dict[str, Any]] = {}
    left = sorted(set(rows), reverse=True)
    while left:
        found = _holding(connection, name, _of_row(left[0]))
        if found is None:
            break
        first, block = int(found[0]), _opened(name, *found)
        here = [row for row in left if row >= first]
        chosen = block.filter(pc.is_in(block["row"], pa.array(here, pa.int64())))
        out |= {row["row"]: row for row in _plain(chosen)}
        left = left[len(here) :]
    return out


def _holding(connection: sqlite3.Connection, name: str, key: str) -> tuple[str, bytes] | None:
    found: tuple[str, bytes] | None = connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ? AND first <= ? "
        "ORDER BY first DESC LIMIT 1",
        (name, key),
    ).fetchone()
    return found


def rows(connection: sqlite3.Connection, name: str) -> Iterator[tuple[Any, ...]]:
    """Yield every row of a table in order of its key, block by block."""
    for block in _blocks(connection, name):
        yield from arrow.rows(block)


def between(
    connection: sqlite3.Connection, name: str, first: int, last: int
) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of a table keyed by row from one number to another, both included."""
    for key, data in connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ?1 AND first <= ?3 AND first >= "
        "coalesce((SELECT max(first) FROM derived_block WHERE name = ?1 AND first <= ?2), '') "
        "ORDER BY first",
        (name, _of_row(first), _of_row(last)),
    ):
        block = _opened(name, key, data)
        inside = pc.and_(pc.greater_equal(block["row"], first), pc.less_equal(block["row"], last))
        yield from arrow.rows(block.filter(inside))


def frame(connection: sqlite3.Connection, name: str, wanted: Sequence[str] = ()) -> pd.DataFrame:
    """Return a whole table in order of its key, or some of its columns."""
    contract = {column: BLOCKS[name][column] for column in wanted or BLOCKS[name]}
    found = list(_blocks(connection, name, tuple(contract)))
    if not found:
        return tables.empty(contract)
    return tables.conform(pa.concat_tables(found).to_pandas(), contract)


def distinct(
    connection: sqlite3.Connection, name: str, wanted: Sequence[str]
) -> list[tuple[Any, ...]]:
    """Return the distinct combinations of some columns, sorted."""
    found: set[tuple[Any, ...]] = set()
    for block in _blocks(connection, name, wanted):
        found.update(tuple(row.values()) for row in _plain(block.group_by(wanted).aggregate([])))
    return sorted(found)


def _blocks(connection: sqlite3.Connection, name: str, wanted: Sequence[str] = ()) -> Iterator[Any]:
    for first, data in connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ? ORDER BY first", (name,)
    ):
        block = _opened(name, first, data, wanted)
        yield block.select(list(wanted)) if wanted else block


def _opened(name: str, first: str, data: bytes, wanted: Sequence[str] = ()) -> Any:
    """Unpack a block, or columns of it; raise Damaged where it does not begin with its key."""
    places = [place for place, column in enumerate(BLOCKS[name]) if column in wanted]
    block = arrow.unpack(f"The table {name}", data, places)
    if not wanted and (own := _key(name, block)) != first:
        raise arrow.damaged(f"The table {name}", f"a block begins with {own}, not {first}")
    return block


def _plain(block: Any) -> list[dict[str, Any]]:
    for place, field in enumerate(block.schema):
        if pa.types.is_boolean(field.type):
            block = block.set_column(place, field.name, block[field.name].cast(pa.int8()))
    listed: list[dict[str, Any]] = block.to_pylist()
    return listed
