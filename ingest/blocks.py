"""Derived tables of a row per reading or test, in the store by column: blocks of rows, in Arrow.

A million grades are written in a second (`ingest.blockwriter`), and one link's are found as quickly
as an index finds rows: a table is in order of its key, a key's rows lie in one block, and whoever
looks for a key opens the last block that does not begin after it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import arrow
from ingest.schema import BLOCKS, KEYED_BY_ROW
from rules import tables


def of_link(connection: sqlite3.Connection, name: str, link_id: str) -> list[dict[str, Any]]:
    """Return a link's rows as dicts of plain values, in order; flags are 0 or 1."""
    found = _holding(connection, name, link_id)
    if found is None:
        return []
    block = opened(name, *found)
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
        first, block = int(found[0]), opened(name, *found)
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
    for block in _within(connection, name, first, last):
        yield from arrow.rows(block)


def spans(
    connection: sqlite3.Connection, name: str, wanted: Sequence[tuple[int, int]]
) -> pd.DataFrame:
    """Return the rows of a table keyed by row that lie in some spans of numbers, in their order."""
    found = [block for span in wanted for block in _within(connection, name, *span)]
    if not found:
        return tables.empty(BLOCKS[name])
    return tables.conform(pa.concat_tables(found).to_pandas(), BLOCKS[name])


def _within(connection: sqlite3.Connection, name: str, first: int, last: int) -> Iterator[Any]:
    for key, data in connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ?1 AND first <= ?3 AND first >= "
        "coalesce((SELECT max(first) FROM derived_block WHERE name = ?1 AND first <= ?2), '') "
        "ORDER BY first",
        (name, _of_row(first), _of_row(last)),
    ):
        block = opened(name, key, data)
        inside = pc.and_(pc.greater_equal(block["row"], first), pc.less_equal(block["row"], last))
        yield block.filter(inside)


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
        block = opened(name, first, data, wanted)
        yield block.select(list(wanted)) if wanted else block


def opened(name: str, first: str, data: bytes, wanted: Sequence[str] = ()) -> Any:
    """Unpack a block, or columns of it; raise Damaged where it does not begin with its key."""
    places = [place for place, column in enumerate(BLOCKS[name]) if column in wanted]
    block = arrow.unpack(f"The table {name}", data, places)
    if not wanted and (own := key_at(name, block, 0)) != first:
        raise arrow.damaged(f"The table {name}", f"a block begins with {own}, not {first}")
    return block


def _plain(block: Any) -> list[dict[str, Any]]:
    for place, field in enumerate(block.schema):
        if pa.types.is_boolean(field.type):
            block = block.set_column(place, field.name, block[field.name].cast(pa.int8()))
    listed: list[dict[str, Any]] = block.to_pylist()
    return listed


def key_at(name: str, block: Any, row: int) -> str:
    """Return the key of a row of a block, as it stands in `derived_block`."""
    if name in KEYED_BY_ROW:
        return _of_row(block["row"][row].as_py())
    return str(block["link_id"][row].as_py())


def _of_row(row: int) -> str:
    return f"{row:015d}"
