"""Derived tables of a row per reading or test, in the store by column: blocks of rows, in Arrow.

A million grades are written in a second, and one link's are found as quickly as an index finds
rows: a table is in order of its key, a key's rows lie in one block, and whoever looks for a key
opens the last block that does not begin after it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
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
    if name in KEYED_BY_ROW:
        key = frame["row"].to_numpy()
    else:
        (key,), _ = columns.common_codes(frame["link_id"])
    _put_blocks(connection, name, _packed(_sorted(name, frame, key)))


def replace(
    connection: sqlite3.Connection, name: str, frame: pd.DataFrame,
    gone: Sequence[str] | pd.Series[Any] | columns.Ints,
) -> None:  # fmt: skip
    """Replace the rows of some keys inside the caller's transaction.

    gone: keys (links, or row numbers) whose rows vanish, as do those of the frame's own keys; then
    the frame's rows are put in, as `put` would. Other blocks keep their bytes, but for a neighbour
    that a small rest joins. Raises Damaged for a block that cannot be read.
    """
    own, keys = _numbered(name, frame, gone)
    new = _sorted(name, frame, own)
    firsts = [first for (first,) in connection.execute(
        "SELECT first FROM derived_block WHERE name = ? ORDER BY first", (name,)
    )]  # fmt: skip
    if not firsts:
        _put_blocks(connection, name, _packed(new))
        return
    for stretch in _touched(connection, firsts, keys, new):
        if 0 < 2 * stretch.rows() < _ROWS:
            _join_neighbour(connection, name, stretch)
        connection.executemany(
            "DELETE FROM derived_block WHERE name = ? AND first = ?",
            [(name, first) for first in stretch.firsts],
        )
        _put_blocks(connection, name, _merged(new, stretch))


def _put_blocks(
    connection: sqlite3.Connection, name: str, made: Iterable[tuple[str, bytes]]
) -> None:
    connection.executemany(
        "INSERT INTO derived_block (name, first, data) VALUES (?, ?, ?)",
        ((name, *block) for block in made),
    )


@dataclass(frozen=True)
class _Sorted:
    """The rows of a frame in order of their key; a part at a time is put in order."""

    name: str
    frame: pd.DataFrame
    order: columns.Ints | None
    """None where the rows lie in order."""
    key: columns.Ints
    """A number per row that sorts as its key does."""

    def part(self, span: slice) -> Any:
        """Return some of the rows as an Arrow table."""
        rows = self.frame.iloc[span] if self.order is None else self.frame.take(self.order[span])
        return arrow.table(tables.conform(rows, BLOCKS[self.name]))


def _sorted(name: str, frame: pd.DataFrame, key: columns.Ints) -> _Sorted:
    frame = frame[[column for column in BLOCKS[name] if column in frame]]
    if columns.rising(key):
        return _Sorted(name, frame, None, key)
    order = np.argsort(key, kind="stable")
    return _Sorted(name, frame, order, key[order])


def _packed(rows: _Sorted) -> Iterator[tuple[str, bytes]]:
    """Yield each block of a whole table: its key and its bytes."""
    bounds = _bounds(rows.key)
    for at in range(0, len(bounds) - 1, _TOGETHER):
        these = bounds[at : at + _TOGETHER + 1]
        yield from _cut(rows.name, rows.part(slice(these[0], these[-1])), these)


def _bounds(key: columns.Ints) -> list[int]:
    """Return where blocks begin, and the end: blocks of like size that part no key."""
    count = -(-len(key) // _ROWS)
    begins = np.flatnonzero(columns.starts(key))
    after = np.searchsorted(begins, np.arange(count) * len(key) // max(count, 1))
    return [*columns.distinct(begins[after[after < len(begins)]]).tolist(), len(key)]


def _cut(name: str, whole: Any, bounds: Sequence[int]) -> Iterator[tuple[str, bytes]]:
    """Yield blocks of an Arrow table, whose first row is the first of `bounds`."""
    for begin, end in pairwise(bounds):
        block = whole.slice(begin - bounds[0], end - begin).combine_chunks()
        yield _key(name, block), arrow.pack(block)


def _numbered(name: str, frame: pd.DataFrame, gone: Any) -> tuple[columns.Ints, Any]:
    """Number the keys that change in their order; return each row's number, and the keys."""
    if name in KEYED_BY_ROW:
        own, away = frame["row"].to_numpy("int64"), np.asarray(gone, dtype="int64")
        keys = columns.distinct(np.concatenate([own, away]))
        return np.searchsorted(keys, own), keys
    named = (frame["link_id"].astype("str"), pd.Series(gone, dtype="str"))
    (own, away), texts = columns.common_codes(*named)
    used = columns.distinct(np.concatenate([own, away]))
    return np.searchsorted(used, own), np.asarray(texts.take(used), dtype=object)


@dataclass
class _Stretch:
    """Neighbouring blocks that change together."""

    last: int
    """Number of the last of them."""
    fresh: slice
    """Which new rows come in."""
    firsts: list[str]
    left: list[Any]
    """What is left of each."""

    def rows(self) -> int:
        """Count the rows that take its place."""
        left = sum(block.num_rows for block in self.left)
        return int(left + self.fresh.stop - self.fresh.start)


def _touched(
    connection: sqlite3.Connection, firsts: list[str], keys: Any, new: _Sorted
) -> Iterator[_Stretch]:
    """Yield the stretches of blocks that hold one of some keys or get new rows, in order."""
    name, by_row = new.name, new.name in KEYED_BY_ROW
    begins = np.array([int(first) for first in firsts] if by_row else firsts, dtype=keys.dtype)
    edges = np.append(np.searchsorted(keys, begins), len(keys))
    edges[0] = 0  # what comes before the first block is put into it
    into = np.searchsorted(new.key, edges).tolist()
    stretch = None
    for at in np.flatnonzero(np.diff(edges)).tolist():
        block = _opened(name, *connection.execute(
            "SELECT first, data FROM derived_block WHERE name = ? AND first = ?",
            (name, firsts[at]),
        ).fetchone())  # fmt: skip
        column = block["row" if by_row else "link_id"]
        here = pa.array(keys[edges[at] : edges[at + 1]], column.type)
        left = block.filter(pc.invert(pc.is_in(column, here)))
        if len(left) == len(block) and into[at] == into[at + 1]:
            continue
        full = stretch and len(stretch.left) >= _TOGETHER and 2 * stretch.rows() >= _ROWS
        if stretch and (full or stretch.last + 1 < at):
            yield stretch
            stretch = None
        stretch = stretch or _Stretch(at, slice(into[at], into[at]), [], [])
        stretch.last, stretch.fresh = at, slice(stretch.fresh.start, into[at + 1])
        stretch.firsts.append(firsts[at])
        stretch.left.append(left)
    if stretch:
        yield stretch


def _join_neighbour(connection: sqlite3.Connection, name: str, stretch: _Stretch) -> None:
    """Add the block before a stretch, or else the one after it, so that no small one is left."""
    found = connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ?1 AND first < ?2 "
        "ORDER BY first DESC LIMIT 1", (name, stretch.firsts[0])
    ).fetchone() or connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ?1 AND first > ?2 "
        "ORDER BY first LIMIT 1", (name, stretch.firsts[-1])
    ).fetchone()  # fmt: skip
    if found:
        stretch.firsts.append(found[0])
        stretch.left.append(_opened(name, *found))


def _merged(new: _Sorted, stretch: _Stretch) -> Iterator[tuple[str, bytes]]:
    """Yield the blocks that take the place of a stretch: its rows and the new ones, in order."""
    name, parts = new.name, stretch.left
    if stretch.fresh.start < stretch.fresh.stop:
        parts = [*parts, arrow.spelled(new.part(stretch.fresh))]
    whole = pa.concat_tables(parts)
    if name in KEYED_BY_ROW:
        key = np.asarray(whole["row"])
    else:
        (key,), _ = columns.common_codes(whole["link_id"].to_pandas())
    whole = arrow.shared(whole, [c for c, kind in BLOCKS[name].items() if kind == "few"])
    if not columns.rising(key):
        order = np.argsort(key, kind="stable")
        key, whole = key[order], whole.take(order)
    yield from _cut(name, whole, _bounds(key))


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
