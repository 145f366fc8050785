from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from ingest import sheets, store
from ingest.errors import BadInput
from ingest.job import Job
from rules.evaluation import RunSheets

TEXT = """Run sheet,Meter serial,source,people,meter end,cords,cord grade,method,start,end,ref 850,\
ref 1300 nm (dBm),closing_850,cord_check_850,notes
S1,MA-1,SA-1,"Okafor, Moreau",B,pair 1,Reference,one cord,2026-03-02 08:00,09:30,-20.00,−20.6,0.02,\
0.08,port 7 blocked
"""


def tables_of(job: Job) -> RunSheets:
    with store.reader(job.store) as connection:
        return sheets.tables_of(connection)


def test_a_table_of_sheets_becomes_the_rules_tables(job: Job, tmp_path: Path) -> None:
    path = tmp_path / "sheets.csv"
    path.write_text(TEXT, "utf-8")
    assert sheets.load(job, path) == ["S1"]
    made = tables_of(job)
    row = made.sheets.iloc[0]
    assert (row["meter_serial"], row["meter_end"], row["cord_grade"]) == ("MA-1", "b", "reference")
    assert (row["reference_method"], row["first_slot"]) == (1, -1)
    assert row["ended_at"] == pd.Timestamp("2026-03-02 09:30")
    checks = made.checks.set_index(["kind", "wavelength_nm"])
    assert checks.loc[("reference", 850), "power_dbm"] == -20.0
    assert checks.loc[("reference", 1300), "power_dbm"] == -20.6
    assert checks.loc[("reference", 850), "at"] == pd.Timestamp("2026-03-02 08:00")
    assert checks.loc[("closing", 850), "loss_db"] == 0.02
    assert checks.loc[("closing", 850), "at"] == pd.Timestamp("2026-03-02 09:30")
    assert checks.loc[("cord", 850), "loss_db"] == 0.08


def test_a_closing_level_is_power_not_loss(job: Job) -> None:
    sheets.add(job, {"sheet": "S1", "meter": "M", "closing_850": "-20.1 dBm"})
    assert tables_of(job).checks["power_dbm"].tolist() == [-20.1]


def test_edit_changes_and_the_newest_text_counts(job: Job) -> None:
    sheets.add(job, {"sheet": "S1", "meter": "M", "meter_end": "a"})
    sheets.edit(job, "S1", {"meter_end": "b", "first_slot": "3"})
    row = tables_of(job).sheets.iloc[0]
    assert (row["meter_end"], row["first_slot"]) == ("b", 3)
    assert sheets.show(job) == [{"sheet": "S1", "meter": "M", "meter_end": "b", "first_slot": "3"}]
    with pytest.raises(BadInput, match="No run sheet 'S9'; there are: S1"):
        sheets.edit(job, "S9", {"meter_end": "b"})


def test_the_same_table_again_adds_no_entry(job: Job, tmp_path: Path) -> None:
    path = tmp_path / "sheets.csv"
    path.write_text(TEXT, "utf-8")
    sheets.load(job, path)
    size = sum(p.stat().st_size for p in job.journals.iterdir())
    sheets.load(job, path)
    assert sum(p.stat().st_size for p in job.journals.iterdir()) == size


@pytest.mark.parametrize(
    ("values", "line"),
    [
        ({"sheet": "S", "meter": "M", "meter_end": "c"}, "meter_end: found 'c'; one of a, b."),
        ({"sheet": "S"}, "meter: missing; give the serial number of the meter."),
        ({"meter": "M"}, "sheet: each run sheet needs a name."),
        ({"sheet": "S", "meter": "M", "reference_method": "4"}, "reference_method: found '4';"),
        ({"sheet": "S", "meter": "M", "start": "monday"}, "start: found 'monday'; a day and time"),
        ({"sheet": "S", "meter": "M", "start": "2026-03-02T08:00Z"}, "without an offset."),
        ({"sheet": "S", "meter": "M", "start": "2026-03-02 08:00", "end": "07:00"}, "before the"),
        ({"sheet": "S", "meter": "M", "ref_850": "low"}, "ref_850: found 'low'; a number in dB"),
        ({"sheet": "S", "meter": "M", "first_slot": "x"}, "first_slot: found 'x'; a whole number."),
        ({"sheet": "S", "meter": "M", "colour": "x"}, "Unknown column 'colour' of a run sheet"),
    ],
)
def test_a_wrong_cell_is_named(job: Job, values: dict[str, str], line: str) -> None:
    with pytest.raises(BadInput) as caught:
        sheets.add(job, values)
    assert len(caught.value.lines) == 1
    assert line in caught.value.lines[0]
