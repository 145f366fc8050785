"""Layout `workbook`: sheets whose rows are the lines; titles may start in any column."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import grids, lines, patterns, text
from parsers.profile import Profile
from parsers.profile_parts import Table
from parsers.raw import Fault, Mark, Noted, Raw, Rows


def read(profile: Profile, data: bytes) -> tuple[Raw, list[Fault]]:
    """Read the tables of every sheet that the profile names; see `Raw`."""
    book = grids.read(data)
    if isinstance(book, grids.Refused):
        return lines.refused(data, book.code, book.why), []
    assert profile.workbook is not None, "the profile's layout is checked when it is loaded"
    rows = [row for sheet in book.sheets for row in sheet.rows]
    mark = profile.numbers.decimal_mark
    body = text.read("\n".join(grids.line(row, mark) for row in rows).encode("utf-8", "replace"),
                     "utf-8")  # fmt: skip
    # the last rows of a sheet may be empty, which leaves no line behind
    raw = Raw(size=len(rows), unit="row")
    kinds = np.full(len(rows), lines.BLANK, np.int8)
    kinds[: len(body.starts)] = lines.classify(profile, body, raw)
    wanted = patterns.compile_lines(profile.workbook.sheet)
    named = False
    for sheet in book.sheets:
        span = slice(sheet.first - 1, sheet.first - 1 + len(sheet.rows))
        raw.context.append(Noted(sheet.first, "sheet", sheet.name))
        if not wanted.search(sheet.name.encode("utf-8", "replace")):
            if profile.workbook.others == "ignore":
                _leave(kinds, span, f"sheet '{sheet.name}' is not the profile's", raw)
            continue
        named = True
        _tables(profile, sheet, kinds, raw)
    if not named:
        names = ", ".join(repr(sheet.name) for sheet in book.sheets)
        raw.faults.append(Fault(1, 1, "sheet-missing", names, profile.workbook.sheet))
    lines.rest(profile, body, kinds, raw, bool(raw.rows) or not named)
    return raw, []


def _leave(kinds: NDArray[np.int8], span: slice, why: str, raw: Raw) -> None:
    for index in np.flatnonzero(kinds[span] == lines.UNKNOWN).tolist():
        number = span.start + index + 1
        raw.marks.append(Mark(number, number, "ignored", why))
    kinds[span] = lines.TAKEN


def _tables(profile: Profile, sheet: grids.Sheet, kinds: NDArray[np.int8], raw: Raw) -> None:
    """Find the titles in a sheet and take the rows below them."""
    base, mark = sheet.first - 1, profile.numbers.decimal_mark
    found: tuple[Table, int] | None = None
    taken: list[tuple[Table, int, int, list[str]]] = []
    for position, row in enumerate(sheet.rows):
        if kinds[base + position] != lines.UNKNOWN:
            continue
        cells = [grids.text(cell, mark) for cell in row]
        header = _header(profile, cells)
        if header:
            found = header
            raw.marks.append(Mark(base + position + 1, base + position + 1, "context",
                                  "column titles"))  # fmt: skip
        elif found:
            table, offset = found
            width = len(table.header)
            outside = [*cells[:offset], *cells[offset + width :]]
            if any(outside):
                raw.faults.append(
                    Fault(base + position + 1, 1, "field-count", "\t".join(cells),
                          f"nothing beside the {width} columns of the table")
                )  # fmt: skip
            else:
                taken.append((table, offset, base + position + 1, cells))
        else:
            continue
        kinds[base + position] = lines.TAKEN
    for table in profile.table:
        mine = [row for row in taken if row[0] is table]
        if mine:
            raw.rows.append(_rows(table, mine))


def _header(profile: Profile, cells: list[str]) -> tuple[Table, int] | None:
    """Return the table whose titles a row holds, and the column, from 0, at which they start."""
    for table in profile.table:
        titles = [title.strip() for title in table.header]
        for offset in range(len(cells) - len(titles) + 1):
            outside = [*cells[:offset], *cells[offset + len(titles) :]]
            if cells[offset : offset + len(titles)] == titles and not any(outside):
                return table, offset
    return None


def _rows(table: Table, taken: list[tuple[Table, int, int, list[str]]]) -> Rows:
    numbers = np.array([number for _, _, number, _ in taken], np.int64)
    offsets = np.array([offset for _, offset, _, _ in taken], np.int64)
    used = lines.used(table)
    cells, places = {}, {}
    for title in used:
        index = table.header.index(title)
        cells[title] = pd.Series([row[offset + index] for _, offset, _, row in taken], dtype="str")
        places[title] = offsets + index + 1
    return Rows(table, pd.DataFrame(cells), numbers, numbers, places)
