"""The first part of a dump as text lines, by which profiles recognise it."""

from __future__ import annotations

from parsers import grids, text

HEAD = 64 * 1024
"""Bytes in which a dump must show what it is. Engineering default, no source."""
HEAD_ROWS = 200
"""Rows of each sheet likewise."""


def read(data: bytes, layout: str, encoding: str) -> bytes | str:
    """Return the head as UTF-8 lines, or in words why the dump is no such layout.

    A workbook's rows are its cells joined by tabs, after a line `sheet` and the sheet's name.
    """
    if layout == "workbook":
        if not grids.is_workbook(data):
            return "it is not a workbook"
        book = grids.read(data, HEAD_ROWS)
        if isinstance(book, grids.Refused):
            return f"the workbook cannot be read: {book.why}"
        out = []
        for sheet in book.sheets:
            out += [f"sheet\t{sheet.name}", *(grids.line(row) for row in sheet.rows)]
        return "\n".join(out).encode("utf-8", "replace")
    if grids.is_workbook(data):
        return "it is a workbook or an archive, not text"
    return text.read(data[:HEAD], encoding).body
