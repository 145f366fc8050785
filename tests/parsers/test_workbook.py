"""Workbooks written by other libraries read back equal; dates after ECMA-376."""

from __future__ import annotations

import datetime as dt
import io

import numpy as np
import openpyxl
import pytest
import xlsxwriter
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from parsers import account, grids
from tests.parsers import fixtures

HEADER = ["Fibre", "Loss 1310", "Loss 1550", "Measured"]
ROWS = [
    ["K7-01", 0.41, 0.3, dt.datetime(2026, 11, 3, 8, 14)],
    ["007", 1, 0.2, dt.datetime(2026, 11, 4, 0, 0)],
    ["K7-03", 0.123456789, 12, dt.datetime(2026, 12, 31, 23, 59)],
]


def by_xlsxwriter(epoch_1904: bool) -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"date_1904": epoch_1904})
    sheet = book.add_worksheet("Cable 1")
    form = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
    sheet.merge_range(0, 0, 0, 3, "Loss book")
    sheet.write_row(1, 0, HEADER)
    for place, row in enumerate(ROWS, 2):
        sheet.write_string(place, 0, row[0])
        sheet.write_number(place, 1, row[1])
        sheet.write_number(place, 2, row[2])
        sheet.write_datetime(place, 3, row[3], form)
    book.close()
    return buffer.getvalue()


def by_openpyxl(epoch_1904: bool) -> bytes:
    book = openpyxl.Workbook()
    book.epoch = CALENDAR_MAC_1904 if epoch_1904 else CALENDAR_WINDOWS_1900
    sheet = book.active
    sheet.title = "Cable 1"
    sheet.append(["Loss book"])
    sheet.append(HEADER)
    for row in ROWS:
        sheet.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def by_odfpy(_: bool) -> bytes:
    book = OpenDocumentSpreadsheet()
    sheet = Table(name="Cable 1")
    for row in [["Loss book"], HEADER, *ROWS]:
        line = TableRow()
        for value in row:
            if isinstance(value, dt.datetime):
                cell = TableCell(valuetype="date", datevalue=value.isoformat())
            elif isinstance(value, str):
                cell = TableCell(valuetype="string")
            else:
                cell = TableCell(valuetype="float", value=value)
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        sheet.addElement(line)
    book.spreadsheet.addElement(sheet)
    buffer = io.BytesIO()
    book.write(buffer)
    return buffer.getvalue()


@pytest.mark.parametrize("epoch_1904", [False, True], ids=["1900", "1904"])
@pytest.mark.parametrize("write", [by_xlsxwriter, by_openpyxl, by_odfpy])
def test_values_and_dates_come_back(write: object, epoch_1904: bool) -> None:
    """ECMA-376 part 1, 18.17.4.1: the workbook says which date system its day numbers are in."""
    dump = fixtures.dump(write(epoch_1904))
    parser = fixtures.parsers()["loss-book"]
    assert parser.recognise(dump).level == "yes"
    extract = parser.parse(dump)
    assert account.check(dump, extract) == ()
    readings = extract.readings
    assert readings["label"].tolist() == [row[0] for row in ROWS for _ in (1, 2)]
    assert readings["loss_db"].tolist() == [value for row in ROWS for value in row[1:3]]
    wanted = [np.datetime64(row[3], "s") for row in ROWS for _ in (1, 2)]
    assert list(readings["taken_at"].to_numpy()) == wanted
    assert extract.faults.empty


@pytest.mark.parametrize(
    ("cell", "mark", "printed"),
    [("007", ".", "007"), (7.0, ".", "7"), (-21.4, ",", "-21,4"), (True, ".", "TRUE"),
     (dt.datetime(2026, 11, 3, 8, 14, 22), ".", "2026-11-03 08:14:22"),
     (dt.date(2026, 11, 3), ".", "2026-11-03"), (dt.time(8, 14), ".", "08:14:00"),
     (dt.datetime(2026, 11, 3), ".", "2026-11-03"), (1e300, ".", "1e+300"), ("", ".", "")],
)  # fmt: skip
def test_cells_as_text(cell: object, mark: str, printed: str) -> None:
    assert grids.text(cell, mark) == printed


def test_rows_are_numbered_through_all_sheets() -> None:
    book = grids.read((fixtures.FOLDER / "loss-book" / "cables.xlsx").read_bytes())
    assert isinstance(book, grids.Grid)
    assert [(sheet.name, sheet.first) for sheet in book.sheets] == [
        ("Cable 7", 1), ("Cable 8", 10), ("Notes", 19)
    ]  # fmt: skip
    assert len(book.filled) == 19
