"""Single readings with what the rules found out of them: the terminal's and the page's lookup."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from typing import Any

from ingest import blocks
from rules import tables

Row = dict[str, Any]

_PAIR = ("link_id", "status", "how", "confidence", "reason")


def by_rows(connection: sqlite3.Connection, rows: Sequence[int]) -> list[Row]:
    """Return readings by their numbers in the store, in order of number.

    Each: row, READINGS, and of its pair link_id, status, how, confidence, reason (None without
    one). Readings that the rules have not seen, such as those of a dump set aside, are left out.
    """
    cursor = connection.execute(
        "SELECT r.row, v.* FROM reading r JOIN readings v ON v.reading_id = r.reading_id "
        "WHERE r.row IN (SELECT value FROM json_each(?)) ORDER BY r.row",
        (json.dumps(list(rows)),),
    )
    names = [item[0] for item in cursor.description]
    said = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    numbers = [row["row"] for row in said]
    states = blocks.of_rows(connection, "reading_state", numbers)
    pairs = blocks.of_rows(connection, "pairs", numbers)
    out = []
    for row in said:
        state, pair = states.get(row["row"]), pairs.get(row["row"], {})
        if state is not None:
            found = row | state
            whole = {"row": row["row"]} | {name: found[name] for name in tables.READINGS}
            out.append(whole | {name: pair.get(name) for name in _PAIR})
    return out


def by_ids(connection: sqlite3.Connection, ids: Sequence[str]) -> list[Row]:
    """Return readings by their ids, in the order of the store, as `by_rows` does."""
    found = connection.execute(
        "SELECT row FROM reading WHERE reading_id IN (SELECT value FROM json_each(?))",
        (json.dumps(list(ids)),),
    )
    return by_rows(connection, [row for (row,) in found])


def of_link(connection: sqlite3.Connection, link_id: str) -> list[Row]:
    """Return the readings paired with a link, in the order of the store, as `by_rows` does."""
    paired = blocks.of_link(connection, "link_rows", link_id)
    return by_rows(connection, [row["row"] for row in paired])
