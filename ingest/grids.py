"""Tables that people write, CSV or workbook, as text cells under loosely matched headers."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import PurePath

import pandas as pd

from ingest.errors import BadInput

WORKBOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
MOST_BYTES = 100_000_000
MOST_INFLATED = 200_000_000
MOST_RATIO = 100
MOST_PARTS = 1_000
"""Bounds for a workbook before it is opened: a small archive can inflate without end."""
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
HEADER_WITHIN = 30
"""Rows in which the header row is looked for; what stands above it is the sheet's title."""


@dataclass(frozen=True)
class Grid:
    """Text cells under known names; `rows` gives the sheet's own row numbers."""

    frame: pd.DataFrame
    rows: list[int]
    headers: dict[str, str]
    """Known name to the header as written."""
    unknown: list[str] = field(default_factory=list)
    """Headers that mean nothing here; their columns are not read."""
    decimal_comma: bool = False
    dates: list[tuple[int, str]] = field(default_factory=list)
    """Places (row, known name) where the workbook holds a date in the cell."""


def read(data: bytes, name: str, columns: Sequence[str], synonyms: Mapping[str, str],
         needed: str, patterns: Sequence[tuple[str, str]] = ()) -> Grid:  # fmt: skip
    """Read a CSV or workbook whose header row names `needed`.

    `synonyms` maps loose headers (lower case, letters and digits only) to names; `patterns` are
    (regular expression over the loose header, replacement giving the name). Raises BadInput.
    """
    if not data.strip(b"\0 \t\r\n"):
        raise BadInput(f"{name}: the file is empty.")
    if len(data) > MOST_BYTES:
        raise BadInput(f"{name}: {len(data)} bytes; at most {MOST_BYTES} are read.")
    table = _Names(columns, synonyms, patterns)
    if data[:4] == b"PK\x03\x04" or data[:4] == b"\xd0\xcf\x11\xe0":
        return _from_workbook(data, name, table, needed)
    if PurePath(name).suffix.lower() in WORKBOOKS:
        raise BadInput(f"{name}: not a workbook although its name says so.")
    return _from_text(data, name, table, needed)


@dataclass(frozen=True)
class _Names:
    columns: Sequence[str]
    synonyms: Mapping[str, str]
    patterns: Sequence[tuple[str, str]]

    def known(self, header: str) -> str:
        """Give the name that a header means, empty if none."""
        loose = re.sub(r"[\W_]+", "", header.lower())
        for column in self.columns:
            if loose == column.replace("_", ""):
                return column
        if loose in self.synonyms:
            return self.synonyms[loose]
        for pattern, name in self.patterns:
            if match := re.fullmatch(pattern, loose):
                return match.expand(name)
        return ""


def _from_text(data: bytes, name: str, table: _Names, needed: str) -> Grid:
    text = _decoded(data, name)
    lines = text.splitlines()
    for separator in (";", "\t", ",", "|"):
        for number, line in enumerate(lines[:HEADER_WITHIN]):
            cells = next(csv.reader([line], delimiter=separator))
            if len(cells) > 1 and needed in map(table.known, cells):
                body = io.StringIO(text, newline="")
                for _ in range(number):
                    body.readline()
                reader = csv.reader(body, delimiter=separator)
                rows: list[list[str]] = []
                numbers: list[int] = []
                before = 0
                try:
                    for row in reader:
                        rows.append(row)
                        numbers.append(number + before + 1)
                        before = reader.line_num
                except csv.Error as error:
                    raise BadInput(f"{name}, line {number + reader.line_num}: {error}.") from None
                return _grid(rows, numbers, name, table, separator != ",", [])
    raise BadInput(
        f"{name}: no header row with a column {needed} in the first {HEADER_WITHIN} lines; "
        "columns are separated by comma, semicolon, tab or bar."
    )


def _decoded(data: bytes, name: str) -> str:
    encoding = next((name for mark, name in _MARKS if data.startswith(mark)), "utf-8")
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise BadInput(
            f"{name}, line {line}: not UTF-8 text; save it as 'CSV UTF-8' or as a workbook."
        ) from None
    if "\0" in text:
        raise BadInput(f"{name}: not a text file and not a workbook.")
    return text


def _from_workbook(data: bytes, name: str, table: _Names, needed: str) -> Grid:
    from python_calamine import CalamineError, load_workbook

    guard_archive(data, name)
    try:
        book = load_workbook(io.BytesIO(data))
        sheets = {title: book.get_sheet_by_name(title) for title in book.sheet_names}
        for sheet in sheets.values():
            cells = sheet.to_python(skip_empty_area=False)
            for number, row in enumerate(cells[:HEADER_WITHIN]):
                texts = [_text(cell) for cell in row]
                if needed in map(table.known, texts):
                    rest = cells[number:]
                    dates = [
                        (number + 1 + at, column)
                        for at, row in enumerate(rest)
                        for column, cell in enumerate(row)
                        if isinstance(cell, date)
                    ]
                    numbers = list(range(number + 1, number + 1 + len(rest)))
                    words = [[_text(cell) for cell in row] for row in rest]
                    return _grid(words, numbers, name, table, False, dates)
    except (CalamineError, zipfile.BadZipFile, OSError, ValueError) as error:
        raise BadInput(f"{name}: this workbook cannot be read: {error}.") from None
    raise BadInput(
        f"{name}: no sheet has a header row with a column {needed} "
        f"in its first {HEADER_WITHIN} rows; sheets: {', '.join(sheets)}."
    )


def guard_archive(data: bytes, name: str) -> None:
    """Refuse a zipped workbook that would inflate beyond the bounds."""
    if data[:2] != b"PK":
        return
    try:
        parts = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, OSError, ValueError):
        raise BadInput(f"{name}: this workbook is damaged.") from None
    inflated = sum(part.file_size for part in parts)
    if (
        len(parts) > MOST_PARTS
        or inflated > MOST_INFLATED
        or inflated > MOST_RATIO * max(len(data), 10_000)
    ):
        raise BadInput(
            f"{name}: this workbook claims {inflated} bytes in {len(parts)} parts; not opened."
        )


def _text(cell: object) -> str:
    """Write a workbook cell as text; whole numbers lose their `.0`."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(" ", "seconds")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        return str(cell)
    return "" if cell is None else str(cell)


def _grid(cells: list[list[str]], numbers: list[int], name: str, table: _Names,
          decimal_comma: bool, dates: list[tuple[int, int]]) -> Grid:  # fmt: skip
    """Put cells under known names; raise BadInput on a name given by two headers."""
    written = [cell.strip() for cell in cells[0]]
    names = [table.known(cell) for cell in written]
    headers: dict[str, str] = {}
    for known, header in zip(names, written, strict=True):
        if known in headers:
            raise BadInput(
                f"{name}, row {numbers[0]}: columns '{headers[known]}' and '{header}' "
                f"both mean {known}; keep one."
            )
        if known:
            headers[known] = header
    width = len(names)
    body, kept = [], []
    for row, number in zip(cells[1:], numbers[1:], strict=True):
        full = [cell.strip() for cell in row]
        if not any(full):
            continue
        if any(full[width:]):
            raise BadInput(
                f"{name}, row {number}: {len(row)} cells under {width} headers; "
                "a cell that holds the separator needs quotes."
            )
        body.append((full + [""] * width)[:width])
        kept.append(number)
    columns = list(zip(*body, strict=True)) if body else [()] * width
    frame = pd.DataFrame(
        {
            known: pd.Series(list(values), dtype="str")
            for known, values in zip(names, columns, strict=True)
            if known
        }
    )
    unknown = [header for header, known in zip(written, names, strict=True) if header and not known]
    placed = [(row, names[column]) for row, column in dates if column < width and names[column]]
    return Grid(frame, kept, headers, unknown, decimal_comma, placed)


def numbers(grid: Grid, name: str) -> tuple[pd.Series, pd.Series]:
    """Read a column as numbers: (float values, whether a cell holds text that is none)."""
    text = grid.frame[name]
    if grid.decimal_comma:
        text = text.str.replace(",", ".", regex=False)
    value = pd.to_numeric(text.where(text != "", None), errors="coerce").astype("float64")
    finite = value.where(value.abs() < 1e12)
    return finite, finite.isna() & (text != "")
