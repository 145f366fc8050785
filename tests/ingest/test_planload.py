from __future__ import annotations

import io
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xlsxwriter

from ingest import planload, store
from ingest.errors import BadInput
from ingest.job import Job
from rules import columns, tables
from tests.ingest import sample


def read(text: str, name: str = "plan.csv") -> pd.DataFrame:
    return planload.read(text.encode(), name)[0]


def refused(text: str | bytes, name: str = "plan.csv") -> tuple[str, ...]:
    data = text.encode() if isinstance(text, str) else text
    with pytest.raises(BadInput) as caught:
        planload.read(data, name)
    return caught.value.lines


def workbook(rows: list[list[object]]) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet()
        for number, row in enumerate(rows):
            for column, value in enumerate(row):
                sheet.write(number, column, value)
    return out.getvalue()


def test_headers_are_matched_loosely() -> None:
    links = read(
        "Plan of the east wing;;;;;;\n"
        "Link ID;Fiber Type;Length (m);From;To;Wavelengths [nm];Budget 850 nm\n"
        "A-1;om 3;12,5;P1:1;P2:1;850/1300 nm;2,1\n"
    )
    row = links.iloc[0]
    assert (row["link_id"], row["fibre_type"], row["length_m"]) == ("A-1", "OM3", 12.5)
    assert (row["wavelengths"], row["budgets"], row["kind"]) == ("850 1300", '{"850": 2.1}', "link")
    assert dict(links.dtypes.astype(str)) == {
        name: tables.DTYPES[kind] for name, kind in tables.LINKS.items()
    }


def test_a_workbook_gives_the_same_links_as_the_csv() -> None:
    rows = [line.split(",") for line in sample.plan(30).strip().split("\n")]
    typed = [[float(c) if c.replace(".", "").isdigit() else c for c in row] for row in rows]
    book, _ = planload.read(workbook([["Title"], [], *typed]), "plan.xlsx")
    pd.testing.assert_frame_equal(book, read(sample.plan(30)))


def test_whole_numbers_of_a_workbook_name_links_without_a_point() -> None:
    links, _ = planload.read(workbook([["link_id", "fibre_type"], [101, "OS2"]]), "plan.xlsx")
    assert links["link_id"].tolist() == ["101"]


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("link_id,fibre_type\nA,OM3\nA,OM3\n", ["row 3, link_id: 'A' stands already"]),
        ("link_id,fibre_type,length\nA,OM3,ten\n", ["row 2, length: found 'ten'; a number of"]),
        ("link_id,fibre_type,length_m\nA,OM3,-1\n", ["row 2, length_m: found '-1'; not less"]),
        ("link_id,fibre_type\nA,OM9\n,OS2\n", ["row 2, fibre_type: found 'OM9'; one of OM1",
                                               "row 3, link_id: found ''; each row needs"]),
        ("link_id,fibre_type,kind\nA,OM3,power\n", ["row 2, min_dbm: found ''; a power test"]),
        ("link_id,fibre_type,splices\nA,OM3,1.5\n", ["row 2, splices: found '1.5'; a whole"]),
        ("link_id,fibre_type,environment\nA,OM3,damp\n", ["row 2, environment: found 'damp'; one"]),
        ("link_id,fibre_type,wavelengths\nA,OM3,red\n", ["row 2, wavelengths: found 'red'; nano"]),
        ("link_id,link\nA,B\n", ["row 1: columns 'link_id' and 'link' both mean link_id"]),
        ("link_id,kind\nA,link\n", ["row 1, fibre_type: this column is missing"]),
        ("link_id,fibre_type\nA,OM3,x\n", ["row 2: 3 cells under 2 headers"]),
        ("link_id,fibre_type\n", ["no link below the header row"]),
        ("a,b\n1,2\n", ["no header row with a column link_id in the first 30 lines"]),
        ("", ["the file is empty"]),
        ("\0" * 1000, ["the file is empty"]),
    ],
)  # fmt: skip
def test_every_mistake_names_row_and_column(text: str, lines: list[str]) -> None:
    told = refused(text)
    assert len(told) == len(lines)
    for line, start in zip(told, lines, strict=True):
        assert line.startswith((f"plan.csv, {start}", f"plan.csv: {start}"))


def test_many_mistakes_are_counted() -> None:
    rows = "".join(f"L{i},XX\n" for i in range(100))
    assert refused("link_id,fibre_type\n" + rows)[-1] == "and 80 more."


def test_what_is_no_plan_is_refused_in_one_line() -> None:
    picture = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
    assert refused(picture, "photo.png") == (
        "photo.png, line 1: not UTF-8 text; save it as 'CSV UTF-8' or as a workbook.",
    )
    assert "cannot be read" in refused(b"\xd0\xcf\x11\xe0" + b"x" * 600, "plan.xls")[0]
    assert "damaged" in refused(b"PK\x03\x04" + b"x" * 600, "plan.xlsx")[0]
    assert "not a workbook although" in refused("link_id,fibre_type\nA,OM3\n", "plan.xlsx")[0]


def test_a_workbook_that_would_inflate_without_end_is_not_opened() -> None:
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"0" * 30_000_000)
    assert "claims 30000000 bytes in 1 parts; not opened" in refused(out.getvalue(), "p.xlsx")[0]


def test_revisions_are_kept_and_compared(job: Job, tmp_path: Path) -> None:
    path = sample.write_plan(tmp_path, 12)
    first = planload.load(job, path)
    assert (first.revision, first.links, len(first.added)) == (1, 12, 12)
    assert planload.load(job, path).notes == ("The same file is loaded already.",)
    lines = sample.plan(13).splitlines()
    del lines[3]
    lines[5] = lines[5].replace("OM3", "OM4")
    path.write_text("\n".join(lines), "utf-8")
    second = planload.load(job, path)
    assert second.revision == 2
    assert second.added == ("1A.13",)
    assert second.changed == (("1A.06", "fibre_type"),)
    assert second.removed == ("1A.03",)
    assert sorted(p.name for p in job.plans.iterdir()) == ["0001-plan.csv", "0002-plan.csv"]
    with store.reader(job.store) as connection:
        number, links = planload.newest(connection)
    assert (number, len(links)) == (2, 12)


def test_columns_that_a_plan_leaves_empty_are_held_once(job: Job, tmp_path: Path) -> None:
    planload.load(job, sample.write_plan(tmp_path))
    with store.reader(job.store) as connection:
        _, links = planload.newest(connection)
    assert (links["limit"] == "").all()
    assert (links["pair"] == "").all()
    one, other = (columns.written(links[name])[0] for name in ("limit", "pair"))
    assert np.shares_memory(one, other)
    assert links["link_id"].to_list()[:2] == ["1A.01", "1A.02"]


def test_a_bad_plan_changes_nothing(job: Job, tmp_path: Path) -> None:
    planload.load(job, sample.write_plan(tmp_path))
    before = {p: p.read_bytes() for p in job.journals.iterdir()}
    (tmp_path / "bad.csv").write_text("link_id,fibre_type\nA,OM3\nA,OM3\n")
    with pytest.raises(BadInput):
        planload.load(job, tmp_path / "bad.csv")
    assert {p: p.read_bytes() for p in job.journals.iterdir()} == before
    assert len(list(job.plans.iterdir())) == 1


def test_ten_thousand_links_load_in_about_a_second(job: Job, tmp_path: Path) -> None:
    path = sample.write_plan(tmp_path, 10_000)
    begin = time.process_time()
    assert planload.load(job, path).links == 10_000
    assert time.process_time() - begin < 3  # 0.5 s on an idle laptop; others may be at work


def test_labels_easy_to_confuse_are_noted_and_never_refused(job: Job, tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    path.write_text("link_id,fibre_type\nA-01,OM4\na 1,OM4\n")
    change = planload.load(job, path)
    assert change.links == 2
    assert "'A-01' and 'a 1'" in change.notes[0]
    assert "glasstally worklist" in change.notes[-1]
