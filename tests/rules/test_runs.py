"""Runs and references: where a run begins, what paper adds, which reference is in force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rules import clocks, duplicates, references, runs, tables
from rules.evaluation import Decisions, RunSheets
from rules.settings import Cords, Settings
from tests.rules.test_clocks import stored

PLAIN = Settings(cords=Cords("reference", 1))


def assign(
    table: pd.DataFrame, sheets: RunSheets | None = None, settings: Settings = PLAIN
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    working, _ = clocks.resolve(tables.conform(table, tables.STORED), settings)
    working, _, _ = duplicates.mark(working, Decisions())
    working, table, found, _ = runs.assign(working, sheets or RunSheets(), settings)
    working, more = references.apply(working, table, sheets or RunSheets(), settings)
    return working, table, pd.concat([found, more], ignore_index=True)


def sheet(checks: list[dict[str, object]] | None = None, **columns: object) -> RunSheets:
    one = {"sheet_id": "s1", "meter_serial": "M-1", "first_slot": 0, "last_slot": 0} | columns
    rows = [{"sheet_id": "s1"} | check for check in checks or []]
    return RunSheets(
        tables.conform(pd.DataFrame([one]), tables.RUN_SHEETS),
        tables.conform(pd.DataFrame(rows), tables.SHEET_CHECKS) if rows
        else tables.empty(tables.SHEET_CHECKS),
    )  # fmt: skip


def minutes(*at: int) -> pd.DataFrame:
    begin = pd.Timestamp("2026-03-05 08:00")
    return stored([str(begin + pd.Timedelta(minutes=m)) for m in at], loss_db=0.5,
                  wavelength_nm=1310, label=[f"L{m}" for m in at])  # fmt: skip


def sizes(working: pd.DataFrame) -> list[int]:
    return list(working.groupby("run_id", sort=False).size())


def test_a_long_pause_an_operator_and_a_source_begin_runs() -> None:
    table = minutes(0, 2, 4, 60, 62, 64, 66)
    assert sizes(assign(table)[0]) == [3, 4]
    table = table.assign(operator=["A", "", "A", "A", "A", "B", ""],
                         source_serial=["S", "S", "T", "T", "T", "T", "T"])  # fmt: skip
    assert sizes(assign(table)[0]) == [2, 1, 2, 2]


def test_a_new_stored_reference_begins_one_run_for_both_wavelengths() -> None:
    table = minutes(0, 0, 2, 2, 4, 4, 6, 6).assign(
        record=[1, 2, 3, 4, 5, 6, 7, 8], slot=-1, wavelength_nm=[1310, 1550] * 4,
        reference_dbm=[-20, -21, -20, -21, -20.3, -21.2, -20.3, -21.2],
    )  # fmt: skip
    assert sizes(assign(table)[0]) == [4, 4]


def test_what_the_job_assumes_is_named_and_the_sheet_stands_above_it() -> None:
    _, table, _ = assign(minutes(0, 2))
    assert table["assumed"][0] == "cord_grade reference_method"
    _, table, _ = assign(minutes(0, 2), sheet(cord_grade="standard", reference_method=3))
    assert (table["cord_grade"][0], table["reference_method"][0], table["assumed"][0]) == (
        "standard", 3, "")  # fmt: skip


@pytest.mark.parametrize(("end", "way"), [("a", "b-a"), ("b", "a-b"), ("", "")])
def test_direction_follows_from_the_meters_end_alone(end: str, way: str) -> None:
    one_way = replace(PLAIN, directions="a-b")
    working, _, _ = assign(minutes(0, 2), sheet(meter_end=end), one_way)
    assert list(working["direction"]) == [way] * 2


def test_a_sheet_against_the_dump_and_a_sheet_over_nothing_are_findings() -> None:
    working, _, found = assign(minutes(0, 2).assign(direction="a-b"), sheet(meter_end="a"))
    assert list(found["code"]) == ["direction-against-sheet"]
    assert list(working["direction"]) == ["a-b"] * 2
    _, _, found = assign(minutes(0, 2), sheet(meter_serial="M-9"))
    assert list(found["code"]) == ["sheet-unused"]


def test_sheets_that_overlap_are_both_refused() -> None:
    one, two = sheet(meter_end="a"), sheet(meter_end="b", sheet_id="s2")
    both = RunSheets(pd.concat([one.sheets, two.sheets], ignore_index=True), one.checks)
    working, _, found = assign(minutes(0, 2), both)
    assert list(found["code"]) == ["sheet-clash"]
    assert list(working["direction"]) == ["", ""]


def test_a_reset_clock_takes_its_time_from_the_sheet() -> None:
    table = stored(["2000-01-01 00:01", "2000-01-01 00:05"], wavelength_nm=1310)
    begin = pd.Timestamp("2026-03-05 08:00")
    working, _, _ = assign(table, sheet(first_slot=1, last_slot=2, started_at=begin))
    assert list(working["clock_state"]) == ["corrected"] * 2
    assert list(working["utc_s"] - begin.timestamp()) == [0, 240]


def power(*at: int, reference_at: int | None = None, source: str = "S") -> pd.DataFrame:
    table = minutes(*at).assign(quantity="power", power_dbm=-21.5, loss_db=np.nan,
                                source_serial=source)  # fmt: skip
    if reference_at is not None:
        rows = table["label"] == f"L{reference_at}"
        table.loc[rows, ["quantity", "label"]] = ["reference", "REF"]
        table.loc[rows, ["power_dbm", "reference_dbm"]] = [np.nan, -20.0]
    return table


def test_loss_is_reference_less_power_after_the_reference_only() -> None:
    working, _, _ = assign(power(0, 2, 4, 6, reference_at=2))
    assert np.isnan(working["loss_db"][0])
    assert list(working["loss_db"][2:]) == [1.5, 1.5]
    assert list(working["reference_from"]) == ["", "", "dump", "dump"]
    assert working["reference_age_h"][3] == pytest.approx(4 / 60)


def test_a_reference_of_another_source_or_wavelength_is_none() -> None:
    table = power(0, 2, 4, reference_at=0)
    other = table.assign(source_serial=["S", "T", "S"])
    assert list(assign(other)[0]["reference_from"]) == ["", "", "dump"]
    other = table.assign(wavelength_nm=[1310, 1550, 1300])
    assert list(assign(other)[0]["reference_from"]) == ["", "", "dump"]


def test_a_sheets_reference_counts_for_its_readings_from_its_time_on() -> None:
    at = pd.Timestamp("2026-03-05 08:03")
    check = {"kind": "reference", "wavelength_nm": 1310, "power_dbm": -19.0, "at": at}
    working, _, _ = assign(power(0, 4), sheet([check]))
    assert np.isnan(working["loss_db"][0]) and working["loss_db"][1] == 2.5
    assert list(working["reference_from"]) == ["", "run-sheet"]


def test_stored_loss_must_follow_from_reference_and_power() -> None:
    table = minutes(0, 2).assign(reference_dbm=-20.0, power_dbm=[-20.51, -20.6])
    _, _, found = assign(table)
    assert list(found["code"]) == ["reference-mismatch"]
    assert list(found["reading_id"]) == ["r1"] and list(found["severity"]) == ["stop"]
