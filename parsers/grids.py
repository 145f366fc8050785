"""Workbooks to rows of text cells, after their archive has been proved harmless."""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from python_calamine import CalamineError, CalamineWorkbook

from parsers import surveys

MOST_INFLATED = 200_000_000
MOST_RATIO = 100
MOST_ENTRIES = 1_000
MOST_CELLS = 20_000_000
"""Bytes unpacked, bytes unpacked per packed byte, files in the archive, cells of a sheet's
rectangle. Engineering defaults, no source: an archive beyond them is a bomb, not a dump."""
SMALL = 1_000_000
"""Bytes up to which the ratio does not matter, for a short sheet of equal rows packs very well;
cells of a rectangle up to which it does not matter how few are filled."""
SPARSEST = 100
"""Cells of a large rectangle per filled cell. Engineering default, no source: one stray cell in
the last row makes a million rows of nothing."""


@dataclass(frozen=True)
class Sheet:
    """One sheet: its cells, row by row; `first` is the number of its first row in the dump."""

    name: str
    first: int
    rows: list[list[Any]]


@dataclass(frozen=True)
class Grid:
    """All sheets of a workbook; their rows are numbered through."""

    sheets: list[Sheet] = field(default_factory=list)

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Tell for each row of all sheets whether a cell of it is filled."""
        return np.array(
            [any(text(c) for c in row) for sheet in self.sheets for row in sheet.rows],
            np.bool_,
        )


@dataclass(frozen=True)
class Refused:
    """Why a workbook is not read."""

    code: str
    why: str


def is_workbook(data: bytes) -> bool:
    """Tell whether the bytes begin as a zip archive or an OLE container does."""
    return data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"))


def read(data: bytes, most_rows: int | None = None) -> Grid | Refused:
    """Read every sheet from its cell A1 on, at most `most_rows` rows of each.

    A cell that shows an error is read as its text, such as `#DIV/0!`.
    """
    surveyed = _surveyed(data)
    if isinstance(surveyed, Refused):
        return surveyed
    sheets, first = [], 1
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        for name in book.sheet_names:
            sheet = book.get_sheet_by_name(name)
            rows = sheet.to_python(skip_empty_area=False, nrows=most_rows)
            for row, column, error in surveyed[name].errors if name in surveyed else ():
                if most_rows is None or row <= most_rows:
                    _put(rows, row, column, error)
            sheets.append(Sheet(name, first, rows))
            first += len(rows)
    except (CalamineError, OSError, ValueError, zipfile.BadZipFile) as problem:
        return Refused("document-broken", f"not a whole workbook ({problem})")
    return Grid(sheets)


@lru_cache(maxsize=2)
def _surveyed(data: bytes) -> dict[str, surveys.Survey] | Refused:
    """Prove a workbook harmless and survey it; a dump is read more than once, by each profile."""
    refused = _bomb(data) if data.startswith(b"PK") else None
    if refused:
        return refused
    try:
        found = surveys.of_workbook(data)
    except surveys.Unreadable as problem:
        return Refused("document-broken", str(problem))
    for name, survey in found.items():
        size, extent = survey.rows * survey.columns, f"{survey.rows} x {survey.columns}"
        if size > SMALL and size > SPARSEST * survey.cells:
            why = f"sheet '{name}' reaches over {extent} cells, of which {survey.cells} are filled"
            return Refused("archive-refused", f"{why}; take out the cells far from the others")
        if size > MOST_CELLS:
            return Refused("archive-refused", f"a sheet of {extent} cells; at most {MOST_CELLS}")
    return found


def _put(rows: list[list[Any]], row: int, column: int, error: str) -> None:
    """Write an error into a grid, which may end before it."""
    width = max(len(rows[0]) if rows else 0, column)
    rows += [[""] * width for _ in range(row - len(rows))]
    rows[row - 1] += [""] * (column - len(rows[row - 1]))
    rows[row - 1][column - 1] = error


def text(cell: Any, decimal_mark: str = ".") -> str:
    """Write a cell as text: numbers shortest, dates as ISO 8601 (without a midnight of theirs)."""
    if isinstance(cell, str):
        return cell.strip()
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, int | float):
        whole = float(cell).is_integer() and abs(cell) < 1e15
        return str(int(cell)) if whole else repr(float(cell)).replace(".", decimal_mark)
    if isinstance(cell, datetime):
        moment = cell.replace(microsecond=0)
        return moment.date().isoformat() if moment.time() == time() else moment.isoformat(" ")
    if isinstance(cell, date | time):
        return cell.replace(microsecond=0).isoformat() if isinstance(cell, time) else str(cell)
    return str(cell)


def line(row: list[Any], decimal_mark: str = ".") -> str:
    """Join a row's cells by tabs, without empty cells at its end."""
    cells = [text(cell, decimal_mark) for cell in row]
    joined = "\t".join(cells)
    if "\n" in joined or "\r" in joined or joined.count("\t") >= len(cells):
        joined = "\t".join(re.sub(r"[\t\r\n]+", " ", cell) for cell in cells)
    return joined.rstrip("\t")


def _bomb(data: bytes) -> Refused | None:
    """Measure what the archive unpacks to, by unpacking it a piece at a time."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        entries = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as problem:
        return Refused("document-broken", f"not a whole archive ({problem})")
    if len(entries) > MOST_ENTRIES:
        return Refused("archive-refused", f"{len(entries)} files inside; at most {MOST_ENTRIES}")
    total = 0
    for entry in entries:
        for piece in _pieces(data, entry):
            total += len(piece)
            if total > MOST_INFLATED:
                return Refused("archive-refused", f"unpacks to over {MOST_INFLATED} bytes")
            if total > SMALL and total > MOST_RATIO * len(data):
                ratio = total // len(data)
                return Refused(
                    "archive-refused", f"unpacks to over {ratio} times its size, {ratio}:1"
                )
    return None


def _pieces(data: bytes, entry: zipfile.ZipInfo) -> Any:
    """Yield an entry's bytes as they really unpack, whatever size it declares."""
    head = data[entry.header_offset : entry.header_offset + 30]
    if len(head) < 30:
        return
    name, extra = struct.unpack("<26xHH", head)
    start = entry.header_offset + 30 + name + extra
    packed = memoryview(data)[start:]
    if entry.compress_type != zipfile.ZIP_DEFLATED:
        yield packed[: entry.compress_size]
        return
    unpack = zlib.decompressobj(-15)
    rest: bytes | memoryview = packed
    try:
        while rest and not unpack.eof:
            chunk = bytes(rest[:65536])
            rest = rest[65536:]
            piece = unpack.decompress(chunk, 1 << 20)
            while piece:
                yield piece
                piece = unpack.decompress(unpack.unconsumed_tail, 1 << 20)
    except zlib.error:
        return
