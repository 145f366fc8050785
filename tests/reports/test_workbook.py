"""The workbook read back with python-calamine and openpyxl."""

import io
import shutil
import subprocess
import zipfile
from datetime import date, datetime, timedelta

import pytest
from openpyxl import load_workbook
from python_calamine import CalamineWorkbook

from reports import facts, workbook
from tests.reports import sample


@pytest.fixture(scope="module")
def evaluation():
    return sample.evaluation(40)


@pytest.fixture(scope="module")
def content(evaluation):
    return workbook.build(evaluation, sample.particulars(), facts.results(evaluation))


def test_every_planned_test_stands_as_real_numbers(evaluation, content):
    rows = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_name("Results")
    head, *body = rows.to_python(skip_empty_area=False)
    results = facts.results(evaluation)
    assert len(body) == len(results) == 160
    loss = head.index("Loss (dB)")
    shown = [row[loss] for row in body]
    expected = [value if value == value else "" for value in results["loss_db"]]
    assert shown == expected
    assert body[0][head.index("Tested (local time)")].isoformat() == "2026-11-17T08:00:00"


def test_text_like_a_formula_is_quoted_text(content):
    book = load_workbook(io.BytesIO(content))
    cells = [c for row in book["Deviations"].iter_rows() for c in row]
    cells += [c for row in book["Readings"].iter_rows() for c in row]
    assert not [c for c in cells if c.data_type == "f"]
    risky = [c for c in cells if isinstance(c.value, str) and c.value.startswith("=")]
    assert risky
    assert all(c.quotePrefix for c in risky)


def test_a_loss_that_two_digits_would_hide_is_formatted_with_three(content):
    sheet = load_workbook(io.BytesIO(content))["Results"]
    head = [c.value for c in sheet[1]]
    loss = head.index("Loss (dB)")
    by_link = {row[0].value: row[loss].number_format for row in sheet.iter_rows(min_row=2)}
    assert by_link[3] == "0.000"
    assert by_link[4] == "0.00"


def test_heads_are_frozen_and_filtered(content):
    for sheet in load_workbook(io.BytesIO(content)).worksheets[1:]:
        assert sheet.freeze_panes == "C2"
        assert sheet.page_setup.orientation == "landscape"
        if sheet.max_row > 1:
            assert sheet.auto_filter.ref


def test_same_state_same_bytes(evaluation, content):
    again = workbook.build(evaluation, sample.particulars(), facts.results(evaluation))
    assert again == content
    times = {item.date_time for item in zipfile.ZipFile(io.BytesIO(content)).infolist()}
    assert times == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.long
def test_another_office_suite_reads_the_same_numbers(content, tmp_path):
    """LibreOffice opens the workbook and writes it as ods; every number and date is still there."""
    office = shutil.which("soffice")
    assert office, "install libreoffice-calc (scripts/test.py --long does)"
    path = tmp_path / "workbook.xlsx"
    path.write_bytes(content)
    profile = (tmp_path / "profile").as_uri()
    subprocess.run(
        [office, f"-env:UserInstallation={profile}", "--headless", "--convert-to", "ods",
         "--outdir", str(tmp_path), str(path)],
        check=True, timeout=180, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    ours = CalamineWorkbook.from_filelike(io.BytesIO(content))
    theirs = CalamineWorkbook.from_path(str(tmp_path / "workbook.ods"))
    assert theirs.sheet_names == ours.sheet_names
    for name in ours.sheet_names:
        before, after = (book.get_sheet_by_name(name).to_python() for book in (ours, theirs))
        assert len(before) == len(after), name
        for row, (old, new) in enumerate(zip(before, after, strict=True)):
            assert [_plain(v) for v in old] == [_plain(v) for v in new[: len(old)]], (name, row)


def _plain(value):
    """Fold what the two file forms write differently: times to the second, numbers as floats."""
    if isinstance(value, datetime):
        return (value + timedelta(milliseconds=500)).replace(microsecond=0).isoformat()
    if isinstance(value, date):
        return datetime(value.year, value.month, value.day).isoformat()
    if isinstance(value, bool):
        return value
    return round(float(value), 9) if isinstance(value, int | float) else value.strip()
