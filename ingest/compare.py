"""Two stores against each other: public tables in the sense of `equal`, or every stored value."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from functools import partial
from itertools import chain, zip_longest
from typing import Any

from ingest import arrow, blocks, export
from ingest.errors import Damaged
from ingest.schema import BLOCKS, DERIVED, KEYED_BY_ROW
from rules import tables


def public(before: sqlite3.Connection, after: sqlite3.Connection) -> list[str]:
    """Name each public table whose canonical export differs, with its first difference."""
    out = []
    for name in tables.PUBLIC:
        old, new = (
            tables.canonical(export.read(connection, name), name) for connection in (before, after)
        )
        if old.equals(new):
            continue
        pairs = zip_longest(old.itertuples(index=False), new.itertuples(index=False))
        first = next((a, b) for a, b in pairs if repr(a) != repr(b))
        out.append(f"{name}: {_words(list(tables.PUBLIC[name]), *first)}")
    return out


def _words(names: list[str], old: Any, new: Any) -> str:
    """Say how two rows differ."""
    if old is None or new is None:
        row = dict(zip(names, old or new, strict=True))
        key = ", ".join(f"{k} {v}" for k, v in list(row.items())[:3])
        return f"a row is only in the {'new' if old is None else 'old'} table: {key}"
    differ = [
        f"{name} was {a!r}, is {b!r}" for name, a, b in zip(names, old, new, strict=True)
        if repr(a) != repr(b)
    ]  # fmt: skip
    return f"at {names[0]} {old[0]}: {'; '.join(differ[:3])}"


def stored(before: sqlite3.Connection, after: sqlite3.Connection) -> list[str]:
    """Name each table of the store that differs in any value, with the first difference.

    Row numbers may differ between two stores of the same job; places within a dump may not.
    """
    out = []
    for name, table in _tables():
        try:
            (heads, old), (_, new) = table(before), table(after)
            first = next(((a, b) for a, b in zip_longest(old, new) if a != b), None)
        except (sqlite3.DatabaseError, Damaged) as error:
            out.append(f"table {name}: cannot be read ({error})")
            continue
        if first is not None:
            out.append(f"table {name}: {_words(heads, *first)}")
    return out


Table = tuple[list[str], Iterator[tuple[Any, ...]]]
"""The names of some columns, and rows of them."""


def _tables() -> Iterator[tuple[str, Callable[[sqlite3.Connection], Table]]]:
    """Yield each table and what reads it, whether kept by row or by column."""
    for name, sql in _queries():
        yield name, partial(_rows, sql)
    yield "plan_columns", _plans
    for name in BLOCKS:
        if name != "link_rows":
            yield f"derived_{name}", partial(_blocks, name)
    yield "derived_link_rows", _link_rows


def _rows(sql: str, connection: sqlite3.Connection) -> Table:
    cursor = connection.execute(sql)
    fetched = iter(lambda: cursor.fetchmany(10_000), [])
    return [item[0] for item in cursor.description], chain.from_iterable(fetched)


def _blocks(name: str, connection: sqlite3.Connection) -> Table:
    found = _placed(name, connection) if name in KEYED_BY_ROW else blocks.rows(connection, name)
    return list(BLOCKS[name]), found


def _placed(name: str, connection: sqlite3.Connection) -> Iterator[tuple[Any, ...]]:
    """Read dump by dump, with the place in the dump instead of the row number."""
    for sha256, first, last in connection.execute(
        "SELECT sha256, first_row, last_row FROM dump WHERE last_row >= first_row ORDER BY sha256"
    ).fetchall():
        for row, *rest in blocks.between(connection, name, first, last):
            yield ((sha256, row - first), *rest)


def _link_rows(connection: sqlite3.Connection) -> Table:
    """Read what `link_rows` and `pairs` of one store do not agree on: nothing in a sound one."""
    pairs = blocks.frame(connection, "pairs", list(BLOCKS["link_rows"]))
    found = blocks.frame(connection, "link_rows")
    both = pairs.loc[pairs["link_id"] != ""].merge(found, how="outer", indicator="only")
    lone = both.loc[both["only"] != "both", list(BLOCKS["link_rows"])]
    return list(BLOCKS["link_rows"]), lone.itertuples(index=False, name=None)


def _plans(connection: sqlite3.Connection) -> Table:
    kept = connection.execute("SELECT data FROM plan_columns ORDER BY plan")
    plans = (arrow.rows(arrow.unpack("The plan", data)) for (data,) in kept)
    return list(tables.LINKS), chain.from_iterable(plans)


def _queries() -> Iterator[tuple[str, str]]:
    """Yield (table, query) whose rows do not depend on row numbers or on the order of writing."""
    yield "schema", "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"
    yield "version", "SELECT user_version FROM pragma_user_version"
    yield "entry", "SELECT * FROM entry ORDER BY hash"
    yield "chain", "SELECT * FROM chain ORDER BY laptop"
    yield "meta", "SELECT * FROM meta ORDER BY key"
    yield (
        "dump",
        "SELECT sha256, name, names, arrived_at, size, origin, complete, aside, "
        "replace(state, 'failed', 'held') AS state, reason, parser, parser_version, varying, "
        "lines, questions, last_row - first_row AS span FROM dump ORDER BY sha256",
    )
    yield (
        "dump rows",
        "SELECT d.sha256, count(r.row), min(r.row) = d.first_row, max(r.row) = d.last_row "
        "FROM dump d JOIN reading r ON r.dump = d.id GROUP BY d.id ORDER BY d.sha256",
    )
    columns = ", ".join(f't."{name}"' for name in tables.EXTRACTED)
    yield (
        "constant",
        f"SELECT d.sha256, {columns} FROM constant t JOIN dump d ON d.id = t.dump ORDER BY 1",
    )
    yield (
        "reading",
        f"SELECT d.sha256, t.row - d.first_row AS place, t.reading_id, {columns} "
        "FROM reading t JOIN dump d ON d.id = t.dump ORDER BY d.sha256, t.row",
    )
    yield (
        "reading_columns",
        "SELECT d.sha256, t.part, t.data FROM reading_columns t JOIN dump d ON d.id = t.dump "
        "ORDER BY d.sha256, t.part",
    )
    own = [name for name in tables.FAULTS if not name.startswith("dump_")]
    for name, names in (("fault", own), ("context", list(tables.CONTEXT))):
        columns = ", ".join(f't."{column}"' for column in names)
        yield (
            name,
            f"SELECT d.sha256, {columns} FROM {name} t JOIN dump d ON d.id = t.dump "
            "ORDER BY d.sha256, t.rowid",
        )
    yield "plan_link", "SELECT * FROM plan_link ORDER BY plan, position"
    for name, contract in DERIVED.items():
        columns = ", ".join(f't."{column}"' for column in contract)
        order = ", ".join(str(place + 1) for place in range(len(contract)))
        yield f"derived_{name}", f"SELECT {columns} FROM derived_{name} t ORDER BY {order}"
