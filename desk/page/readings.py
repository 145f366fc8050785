"""Readings by their row or id, and rows of derived tables by link."""

from __future__ import annotations

import json
from collections.abc import Sequence

from desk.page.office import Office, Reader, Row

_ONCE = ("reading_id", "row")
_SPREAD = (
    "line", "record", "slot", "label", "wavelength_printed", "quantity", "state", "clock",
    "meter_serial", "operator",
)  # fmt: skip
_DERIVED = (
    "wavelength_nm", "direction", "power_dbm", "reference_dbm", "loss_db", "taken_at",
    "taken_at_utc", "clock_state", "run_id", "duplicate_of",
)  # fmt: skip
_COLUMNS = ", ".join(
    [
        *(f"r.{name}" for name in _ONCE),
        *(f"coalesce(r.{name}, c.{name}) AS {name}" for name in _SPREAD),
        *(f"s.{name}" for name in _DERIVED),
        "d.sha256 AS dump_sha256, d.name AS dump_name, d.parser",
        "p.link_id, p.status, p.how, p.confidence, p.reason",
    ]
)
_FROM = (
    "FROM reading r JOIN dump d ON d.id = r.dump JOIN constant c ON c.dump = r.dump "
    "JOIN derived_reading_state s ON s.row = r.row LEFT JOIN derived_pairs p ON p.row = r.row"
)


def by_rows(read: Reader, rows: Sequence[int]) -> list[Row]:
    """Return readings by their numbers in the store, with their pair, in that order."""
    return read.rows(
        f"SELECT {_COLUMNS} {_FROM} WHERE r.row IN (SELECT value FROM json_each(?)) ORDER BY r.row",
        (json.dumps(list(rows)),),
    )


def by_ids(read: Reader, ids: Sequence[str]) -> list[Row]:
    """Return readings by their ids, in the order of the store."""
    found = read.rows(
        "SELECT row FROM reading WHERE reading_id IN (SELECT value FROM json_each(?))",
        (json.dumps(list(ids)),),
    )
    return by_rows(read, [row["row"] for row in found])


def of_link(office: Office, table: str, link_id: str) -> list[Row]:
    """Return the rows of a derived table that belong to a link."""
    return office.read(
        ("of link", table, link_id),
        lambda read: read.rows(
            f"SELECT * FROM derived_{table} WHERE link_id = ? ORDER BY rowid", (link_id,)
        ),
    )
