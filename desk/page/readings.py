"""Rows of derived tables by link, once per state of the store."""

from __future__ import annotations

from desk.page.office import Office, Row


def of_link(office: Office, table: str, link_id: str) -> list[Row]:
    """Return the rows of a derived table that belong to a link."""
    return office.read(("of link", table, link_id), lambda read: read.of_link(table, link_id))
