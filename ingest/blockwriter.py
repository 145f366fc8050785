"""Derived tables written into blocks (`ingest.blocks`): whole, or the rows of some keys."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right, insort
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import arrow
from ingest.blocks import key_at, opened
from ingest.schema import BLOCKS, KEYED_BY_ROW
from rules import columns, tables

_ROWS = 8_192
"""Rows of a block, more or less: opened in a few milliseconds."""
_LEAST = 256
"""Rows that blocks must have in the mean to be parted where others' rows may lie."""
_TOGETHER = 16
"""Blocks that are put in order at the same time."""


def put(connection: sqlite3.Connection, name: str, frame: pd.DataFrame) -> None:
    """Replace a table by the rows of a frame inside the caller's transaction.

    Rows with the same key keep their order.
    """
    connection.execute("DELETE FROM derived_block WHERE name = ?", (name,))
    _put_blocks(connection, name, pack(name, frame))


@dataclass(frozen=True)
class Block:
    """Some rows of a table as they lie in the store, between two keys."""

    first: str
    last: str
    data: bytes


def pack(name: str, frame: pd.DataFrame, begins: pd.Series[Any] | None = None) -> Iterator[Block]:
    """Yield the blocks of a frame, in order; rows with the same key keep their order.

    No block reaches over row numbers that are missing, or over links in `begins`, where the table
    may hold what is not of the frame; unless that would leave blocks of a few rows.
    """
    if name in KEYED_BY_ROW:
        key = frame["row"].to_numpy()
        rows = _sorted(name, frame, key)
        return _packed(rows, np.flatnonzero(np.diff(rows.key) > 1) + 1)
    (key,), names = columns.common_codes(frame["link_id"])
    rows = _sorted(name, frame, key)
    begin = columns.among(pd.Series(names), [] if begins is None else begins)
    return _packed(rows, np.flatnonzero(columns.starts(rows.key) & begin[rows.key]))


def put_in(connection: sqlite3.Connection, name: str, blocks: Iterable[Block]) -> None:
    """Add blocks of keys that the table has not, inside the caller's transaction.

    A block goes in as it is where none that is there lies within its keys or around them; the rows
    of others are put between those that are there.
    """
    firsts = _firsts(connection, name)
    lasts: dict[str, str] = {}
    others = []
    for block in blocks:
        at = bisect_right(firsts, block.last)
        before = firsts[at - 1] if at else None
        if before is not None and before not in lasts:
            lasts[before] = _last(connection, name, before)
        if before is None or lasts[before] < block.first:
            _put_blocks(connection, name, [block])
            insort(firsts, block.first)
            lasts[block.first] = block.last
        else:
            others.append(block)
    if others:
        rows = pa.concat_tables([opened(name, block.first, block.data) for block in others])
        replace(connection, name, tables.conform(rows.to_pandas(), BLOCKS[name]), [])


def _firsts(connection: sqlite3.Connection, name: str) -> list[str]:
    return [first for (first,) in connection.execute(
        "SELECT first FROM derived_block WHERE name = ? ORDER BY first", (name,)
    )]  # fmt: skip


def _last(connection: sqlite3.Connection, name: str, first: str) -> str:
    """Return the last key of a block."""
    block = _block(connection, name, first, _KEY[name])
    return key_at(name, block, len(block) - 1)


_KEY = {name: ("row" if name in KEYED_BY_ROW else "link_id",) for name in BLOCKS}
"""The column by which each table is in order: often it is all of a block that must be opened."""


def _block(
    connection: sqlite3.Connection, name: str, first: str, wanted: Sequence[str] = ()
) -> Any:
    """Return a block that is there, or some columns of it."""
    (data,) = connection.execute(
        "SELECT data FROM derived_block WHERE name = ? AND first = ?", (name, first)
    ).fetchone()
    return opened(name, first, data, wanted)


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
    firsts = _firsts(connection, name)
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


def _put_blocks(connection: sqlite3.Connection, name: str, made: Iterable[Block]) -> None:
    connection.executemany(
        "INSERT INTO derived_block (name, first, data) VALUES (?, ?, ?)",
        ((name, block.first, block.data) for block in made),
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


def _packed(rows: _Sorted, cuts: columns.Ints | None = None) -> Iterator[Block]:
    """Yield each block of a whole table; `cuts` are rows that begin one."""
    bounds = _bounds(rows.key)
    if cuts is not None and len(cuts) * _LEAST < len(rows.key):
        bounds = columns.distinct(np.append(cuts, bounds)).tolist()
    for at in range(0, len(bounds) - 1, _TOGETHER):
        these = bounds[at : at + _TOGETHER + 1]
        yield from _cut(rows.name, rows.part(slice(these[0], these[-1])), these)


def _bounds(key: columns.Ints) -> list[int]:
    """Return where blocks begin, and the end: blocks of like size that part no key."""
    count = -(-len(key) // _ROWS)
    begins = np.flatnonzero(columns.starts(key))
    after = np.searchsorted(begins, np.arange(count) * len(key) // max(count, 1))
    return [*columns.distinct(begins[after[after < len(begins)]]).tolist(), len(key)]


def _cut(name: str, whole: Any, bounds: Sequence[int]) -> Iterator[Block]:
    """Yield blocks of an Arrow table, whose first row is the first of `bounds`."""
    for begin, end in pairwise(bounds):
        block = whole.slice(begin - bounds[0], end - begin).combine_chunks()
        first, last = (key_at(name, block, row) for row in (0, len(block) - 1))
        yield Block(first, last, arrow.pack(block))


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
        column = _block(connection, name, firsts[at], _KEY[name])[_KEY[name][0]]
        here = pa.array(keys[edges[at] : edges[at + 1]], column.type)
        stays = pc.invert(pc.is_in(column, here))
        count = pc.sum(stays).as_py()
        if count == len(column) and into[at] == into[at + 1]:
            continue
        # mostly nothing of a block stays: then its other columns need not be opened
        left = _block(connection, name, firsts[at]).filter(stays) if count else None
        full = stretch and len(stretch.left) >= _TOGETHER and 2 * stretch.rows() >= _ROWS
        if stretch and (full or stretch.last + 1 < at):
            yield stretch
            stretch = None
        stretch = stretch or _Stretch(at, slice(into[at], into[at]), [], [])
        stretch.last, stretch.fresh = at, slice(stretch.fresh.start, into[at + 1])
        stretch.firsts.append(firsts[at])
        stretch.left += [left] if left is not None else []
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
        stretch.left.append(opened(name, *found))


def _merged(new: _Sorted, stretch: _Stretch) -> Iterator[Block]:
    """Yield the blocks that take the place of a stretch: its rows and the new ones, in order."""
    name, parts = new.name, stretch.left
    if stretch.fresh.start < stretch.fresh.stop:
        parts = [*parts, arrow.spelled(new.part(stretch.fresh))]
    if not parts:
        return
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
