"""What a workbook holds besides the values that its reader gives: error cells, and its true extent.

The reader (python-calamine) gives an error cell as a blank one, which would lose it in silence.
"""

from __future__ import annotations

import io
import posixpath
import re
import string
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import xlrd
from lxml import etree

_ERROR = re.compile(r"#\S+[!?]|#N/?[AV]|Err:\d+")
"""Errors as cells show them: of ECMA-376 part 1, 18.17.3, of OpenFormula and in translation."""
MOST_REPEATS = 100_000
"""Cells over which one error may be repeated. Engineering default, no source."""
_XLS_ERRORS = xlrd.error_text_from_code
_LETTERS = string.ascii_uppercase
_ID = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass
class Survey:
    """Where the filled cells of one sheet lie; rows and columns count from 1."""

    rows: int = 0
    columns: int = 0
    cells: int = 0
    errors: list[tuple[int, int, str]] = field(default_factory=list)
    """(row, column, text) of cells that show an error or a formula that was never computed."""

    def add(self, row: int, column: int, error: str = "", high: int = 1, wide: int = 1) -> None:
        """Count a filled cell, or equal ones over `high` rows and `wide` columns."""
        self.rows = max(self.rows, row + high - 1)
        self.columns = max(self.columns, column + wide - 1)
        self.cells += high * wide
        if error and high * wide > MOST_REPEATS:
            raise Unreadable(f"the error {error} stands in {high * wide} cells")
        if error:
            self.errors += [(row + down, column + right, error)
                            for down in range(high) for right in range(wide)]  # fmt: skip


class Unreadable(ValueError):
    """Why a workbook cannot be surveyed."""


def of_workbook(data: bytes) -> dict[str, Survey]:
    """Survey every sheet, by name; raise `Unreadable` on what is no whole workbook.

    An archive's size must have been proved before.
    """
    if not data.startswith(b"PK"):
        return _xls(data)
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        names = archive.namelist()
        if "xl/workbook.bin" in names:
            raise Unreadable("a binary workbook (xlsb); save it as xlsx")
        if "content.xml" in names:
            return _ods(_parsed(archive, "content.xml", "table"))
        sheets = _sheets(archive) if "xl/workbook.xml" in names else {}
        parts = {path: _xlsx(_parsed(archive, path, "row"))
                 for path in names if re.fullmatch(r"xl/worksheets/[^/]+\.xml", path)}  # fmt: skip
    except Unreadable:
        raise
    except (etree.XMLSyntaxError, zipfile.BadZipFile, OSError, KeyError, ValueError,
            EOFError, NotImplementedError, RuntimeError, zlib.error) as problem:  # fmt: skip
        raise Unreadable(f"not a whole workbook ({problem})") from None
    known = {path: name for name, path in sheets.items()}
    return {known.get(path, path): survey for path, survey in parts.items()}


def _parsed(archive: zipfile.ZipFile, path: str, tag: str) -> Iterator[Any]:
    """Yield the elements `tag` of a part, each whole and then forgotten."""
    data = archive.read(path)
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise Unreadable("the workbook declares a document type or entities")
    found = etree.iterparse(
        io.BytesIO(data), tag=f"{{*}}{tag}", resolve_entities=False, no_network=True, load_dtd=False
    )
    for _, element in found:
        yield element
        element.clear()


def _sheets(archive: zipfile.ZipFile) -> dict[str, str]:
    """Return the part of each sheet, by the sheet's name."""
    targets = {each.get("Id"): each.get("Target", "") for each in _parsed(
        archive, "xl/_rels/workbook.xml.rels", "Relationship")}  # fmt: skip
    return {
        each.get("name", ""): posixpath.normpath(
            posixpath.join("/xl", targets.get(each.get(_ID), ""))
        ).lstrip("/")
        for each in _parsed(archive, "xl/workbook.xml", "sheet")
    }


def _xlsx(rows: Iterator[Any]) -> Survey:
    survey, number = Survey(), 0
    for row in rows:
        number = int(row.get("r") or number + 1)
        column = 0
        for cell in row:
            reference = cell.get("r")
            column = _column(reference) if reference else column + 1
            if not len(cell):
                continue
            kind, first = cell.get("t"), cell[0]
            error = ""
            if kind == "e" or first.tag.endswith("}f"):
                value = cell.findtext("{*}v")
                if kind == "e":
                    error = value or "#ERROR!"
                elif not value and kind != "str":
                    error = f"={first.text or ''}"
            survey.add(int(reference.lstrip(_LETTERS)) if reference else number, column, error)
    return survey


def _column(reference: str) -> int:
    """Return the column of a reference such as `B7`; ValueError where it is none."""
    number = 0
    for letter in reference.rstrip("0123456789"):
        number = number * 26 + ord(letter) - 64
    if not 1 <= number <= 16_384:
        raise ValueError(f"'{reference}' is no cell")
    return number


def _ods(tables: Iterator[Any]) -> dict[str, Survey]:
    out: dict[str, Survey] = {}
    for table in tables:
        survey = out.setdefault(_own(table, "name"), Survey())
        number = 1
        for row in table.iter("{*}table-row"):
            column, high = 1, int(_own(row, "number-rows-repeated") or 1)
            for cell in row:
                wide = int(_own(cell, "number-columns-repeated") or 1)
                said = "".join(cell.itertext()).strip() if len(cell) else ""
                if said or _own(cell, "value-type"):
                    wrong = _own(cell, "value-type", "error") or _ERROR.fullmatch(said)
                    survey.add(number, column, (said or "#ERROR!") if wrong else "", high, wide)
                column += wide
            number += high
    return out


def _own(element: Any, name: str, value: str = "") -> str:
    """Return an attribute by its name without namespace; of several, one that is `value`."""
    found = [said for key, said in element.attrib.items() if key.rpartition("}")[2] == name]
    return next((said for said in found if not value or said == value), "")


def _xls(data: bytes) -> dict[str, Survey]:
    try:
        book = xlrd.open_workbook(file_contents=data, logfile=io.StringIO(), ragged_rows=True)
        sheets = book.sheets()
    except Exception as problem:  # noqa: BLE001 xlrd names no common error of broken files
        raise Unreadable(f"not a whole workbook ({problem})") from None
    out = {}
    for sheet in sheets:
        survey = out[sheet.name] = Survey()
        for row in range(sheet.nrows):
            for column, kind in enumerate(sheet.row_types(row)):
                if kind not in (xlrd.XL_CELL_EMPTY, xlrd.XL_CELL_BLANK):
                    wrong = kind == xlrd.XL_CELL_ERROR
                    code = sheet.cell_value(row, column) if wrong else 0
                    survey.add(row + 1, column + 1, _XLS_ERRORS.get(code, "#ERROR!") if wrong
                               else "")  # fmt: skip
    return out
