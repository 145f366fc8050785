"""Workbooks written by other libraries read back equal; dates after ECMA-376."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import numpy as np
import openpyxl
import pytest
import xlsxwriter
import xlwt
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


def by_xlwt(epoch_1904: bool) -> bytes:
    book = xlwt.Workbook()
    book.dates_1904 = epoch_1904
    sheet = book.add_sheet("Cable 1")
    form = xlwt.easyxf(num_format_str="dd/mm/yyyy hh:mm")
    for place, row in enumerate([["Loss book"], HEADER, *ROWS]):
        for column, value in enumerate(row):
            dated = isinstance(value, dt.datetime)
            sheet.write(place, column, value, form if dated else xlwt.Style.default_style)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


@pytest.mark.parametrize("epoch_1904", [False, True], ids=["1900", "1904"])
@pytest.mark.parametrize("write", [by_xlsxwriter, by_openpyxl, by_odfpy, by_xlwt])
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


ERRORS = ("#DIV/0!", "#N/A")


def errors_by_xlsxwriter() -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer)
    book.add_worksheet("Notes")
    sheet = book.add_worksheet("Cable 1")
    sheet.write_row(0, 0, ["Loss book"])
    sheet.write_row(1, 0, HEADER)
    for place, error in enumerate(ERRORS, 2):
        sheet.write_row(place, 0, [f"K7-0{place}"])
        sheet.write_formula(place, 1, "=1/0", None, error)
        sheet.write_number(place, 2, 0.3)
    book.close()
    return buffer.getvalue()


def errors_by_xlwt() -> bytes:
    book = xlwt.Workbook()
    book.add_sheet("Notes")
    sheet = book.add_sheet("Cable 1")
    sheet.write(0, 0, "Loss book")
    for column, title in enumerate(HEADER):
        sheet.write(1, column, title)
    for place, code in enumerate((0x07, 0x2A), 2):
        sheet.write(place, 0, f"K7-0{place}")
        sheet.row(place).set_cell_error(1, code)
        sheet.write(place, 2, 0.3)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def ods(rows: list[list[TableCell]], blank_rows: int = 0) -> bytes:
    book = OpenDocumentSpreadsheet()
    sheet = Table(name="Cable 1")
    for place, row in enumerate(rows):
        if blank_rows and place == len(rows) - 1:
            gap = TableRow(numberrowsrepeated=blank_rows)
            gap.addElement(TableCell())
            sheet.addElement(gap)
        line = TableRow()
        for cell in row:
            line.addElement(cell)
        sheet.addElement(line)
    book.spreadsheet.addElement(sheet)
    buffer = io.BytesIO()
    book.write(buffer)
    return buffer.getvalue()


def shown(said: str, **attributes: object) -> TableCell:
    cell = TableCell(**({"valuetype": "string"} | attributes))
    cell.addElement(P(text=said))
    return cell


def errors_by_odfpy() -> bytes:
    rows = [[shown("Loss book")], [shown(title) for title in HEADER]]
    for place, error in enumerate(ERRORS, 2):
        # an error in an OpenDocument cell stands beside the number 0
        rows.append([shown(f"K7-0{place}"), shown(error, valuetype="float", value=0),
                     shown("0,3", valuetype="float", value=0.3)])  # fmt: skip
    return ods(rows)


@pytest.mark.parametrize("write", [errors_by_xlsxwriter, errors_by_xlwt, errors_by_odfpy])
def test_error_cells_are_faults_and_never_blank(write: object) -> None:
    """Errors of ECMA-376 part 1, 18.17.3; xlrd is the outside witness of the old format."""
    dump = fixtures.dump(write())
    extract = fixtures.parsers()["loss-book"].parse(dump)
    assert account.check(dump, extract) == ()
    assert extract.faults["code"].tolist() == ["number-unreadable"] * 2
    assert tuple(extract.faults["found"]) == ERRORS
    assert extract.readings["state"].tolist() == ["unreadable", "ok"] * 2
    assert extract.readings["value_printed"].tolist() == [ERRORS[0], "0,3", ERRORS[1], "0,3"]


def test_a_formula_that_was_never_computed_is_no_blank() -> None:
    book = openpyxl.Workbook()
    book.active.append(["Fibre", "=1+1"])
    buffer = io.BytesIO()
    book.save(buffer)
    grid = grids.read(buffer.getvalue())
    assert isinstance(grid, grids.Grid)
    assert grid.sheets[0].rows == [["Fibre", "=1+1"]]


def far_xlsx() -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer)
    sheet = book.add_worksheet("Cable 1")
    sheet.write_row(0, 0, HEADER)
    sheet.write_number(1_048_575, 1, 3)
    book.close()
    return buffer.getvalue()


def far_xls() -> bytes:
    book = xlwt.Workbook()
    sheet = book.add_sheet("Cable 1")
    sheet.write(0, 0, "Fibre")
    sheet.write(65_535, 255, 3)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def far_ods() -> bytes:
    return ods([[shown(title) for title in HEADER], [shown("far")]], 1_048_574)


def repeated_ods() -> bytes:
    book = OpenDocumentSpreadsheet()
    sheet = Table(name="Cable 1")
    row = TableRow(numberrowsrepeated=900_000_000)
    row.addElement(shown("all the same"))
    sheet.addElement(row)
    book.spreadsheet.addElement(sheet)
    buffer = io.BytesIO()
    book.write(buffer)
    return buffer.getvalue()


@pytest.mark.parametrize("write", [far_xlsx, far_xls, far_ods, repeated_ods])
def test_a_far_cell_is_one_clear_fault(write: object) -> None:
    dump = fixtures.dump(write())
    extract = fixtures.parsers()["loss-book"].parse(dump)
    assert account.check(dump, extract) == ()
    assert extract.faults["code"].tolist() == ["archive-refused"]
    assert "cells" in extract.faults["found"][0]
    assert len(extract.readings) == 0


def test_a_binary_workbook_is_told_by_name() -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("xl/workbook.bin", b"\x83\x01\x00")
    refused = grids.read(buffer.getvalue())
    assert isinstance(refused, grids.Refused)
    assert "save it as xlsx" in refused.why
