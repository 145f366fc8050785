"""Test runs: consecutive records of one meter under one reference, with who, what and where."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from rules import asking, clocks, ids, sheets, suspicions, tables
from rules.columns import (
    Flags,
    Ints,
    codes,
    combined,
    distinct,
    few,
    numbers,
    sorted_rows,
    starts,
    texts,
    to_few,
)
from rules.evaluation import RunSheets
from rules.settings import Settings

Result = tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]


def assign(working: pd.DataFrame, run_sheets: RunSheets, settings: Settings) -> Result:
    """Divide each meter's records into runs; return (working, RUNS, FOUND, QUESTIONS).

    Adds `run_id`, `sheet_id`, and `direction_from` (`dump`, `run-sheet` or empty) with
    `direction` filled where the sheet's meter end gives it. A run begins after a
    pause, at a new reference, at another operator, source or run sheet, and where the order of two
    dumps cannot be told by clocks. Copies follow their first copy.
    """
    sheet, sheet_findings = sheets.match(working, run_sheets, settings)
    if working.empty:
        blank = working["label"]
        return (working.assign(run_id=blank, sheet_id=blank, direction_from=blank),
                tables.empty(tables.RUNS), sheet_findings, asking.questions([]))  # fmt: skip
    working = _set_right(working, sheet, run_sheets, settings)
    dump = numbers(working["dump_sha256"], sort=True)
    meter = clocks.meter_codes(working, dump)
    first = (working["duplicate_of"] == "").to_numpy()
    rows = np.flatnonzero(first)
    rows = rows[sorted_rows(meter[rows], working["order"].to_numpy()[rows])]
    begins = starts(meter[rows]) | _breaks(working, rows, meter, dump, sheet, settings)
    number = np.empty(len(working), dtype="int64")
    number[rows] = np.cumsum(begins) - 1
    number = _follow_copies(working, number, first)

    table = _table(working, rows, begins, sheet, run_sheets, settings)
    out = working.assign(
        run_id=few(list(table["run_id"]), number, working.index),
        sheet_id=few(list(table["sheet_id"]), number, working.index),
    )
    out = _directions(out, table, number)
    found = suspicions.join(sheet_findings, _against_sheet(out, working, table, number))
    runs = tables.conform(table, tables.RUNS).sort_values("run_id", ignore_index=True)
    return out, runs, found, asking.questions([])


def _set_right(
    working: pd.DataFrame, sheet: Ints, run_sheets: RunSheets, settings: Settings
) -> pd.DataFrame:
    """Give readings of an untrusted clock the time of their run sheet.

    Where a sheet names its first record and when it was stored, the clock's own steps count on
    from there; their state becomes `corrected`. A clock that was reset later on stays refused.
    """
    wrong = working["clock_state"].isin(("reset", "ambiguous")).to_numpy()
    rows = np.flatnonzero(wrong & (sheet >= 0))
    if not len(rows):
        return working
    begin = run_sheets.sheets["started_at"].reset_index(drop=True)
    slots = run_sheets.sheets["last_slot"].to_numpy()
    utc = working["utc_s"].to_numpy().copy()
    local, order = clocks.seconds(working["taken_at"]), working["order"].to_numpy()
    right = np.zeros(len(working), dtype="bool")
    for number in np.unique(sheet[rows]):
        mine = rows[sheet[rows] == number]
        first = order[sheet == number].min()
        if pd.isna(begin[number]) or slots[number] <= 0 or order[mine].min() > first:
            continue
        said = clocks.local_to_utc(begin[number], settings.timezone)
        utc[mine] = said + (local[mine] - local[mine].min())
        right[mine] = True
    state, basis = (working[name].astype("str") for name in ("clock_state", "order_basis"))
    return working.assign(
        utc_s=utc,
        clock_state=to_few(state.mask(right, "corrected")),
        order_basis=to_few(basis.mask(right, "run-sheet")),
    )


def _breaks(
    working: pd.DataFrame, rows: Ints, meter: Ints, dump: Ints, sheet: Ints, settings: Settings
) -> Flags:
    """Mark the rows in sequence at which something other than the meter begins a run."""
    out = np.zeros(len(rows), dtype="bool")
    utc = working["utc_s"].to_numpy()[rows]
    known = np.isfinite(utc)
    pause = settings.pause_minutes * 60.0
    both = known[1:] & known[:-1]
    out[1:] |= both & (np.diff(utc) > pause)
    out[1:] |= ~both & (dump[rows][1:] != dump[rows][:-1])
    out[1:] |= np.diff(sheet[rows]) != 0
    reference = (working["quantity"] == "reference").to_numpy()[rows]
    out[1:] |= reference[1:] & ~reference[:-1]
    for name in ("operator", "source_serial"):
        out |= _changes(*codes(working[name]), rows, meter)
    return _whole_records(out | _new_stored_reference(working, rows, meter, out), working, rows)


def _changes(number: Ints, names: Any, rows: Ints, meter: Ints) -> Flags:
    """Mark rows whose text differs from the last one given in the meter's sequence."""
    out = np.zeros(len(rows), dtype="bool")
    given = np.array([name != "" for name in names], dtype="bool")[number[rows]]
    at = np.flatnonzero(given)
    same_meter = meter[rows][at][1:] == meter[rows][at][:-1]
    out[at[1:]] = same_meter & (np.diff(number[rows][at]) != 0)
    return out


def _new_stored_reference(working: pd.DataFrame, rows: Ints, meter: Ints, breaks: Flags) -> Flags:
    """Mark rows from which readings were stored against another reference value.

    Wavelengths are referenced one after the other: a change that a break since the last reading
    of that wavelength already explains makes no further run.
    """
    value = working["reference_dbm"].to_numpy()[rows]
    carried = np.isfinite(value) & (working["quantity"] != "reference").to_numpy()[rows]
    at = np.flatnonzero(carried)
    key = combined(meter[rows][at], working["wavelength_nm"].to_numpy()[rows][at],
                   working["fibre_position"].to_numpy()[rows][at],
                   numbers(working["direction"])[rows][at])  # fmt: skip
    order = np.argsort(key, kind="stable")
    at, key = at[order], key[order]
    changed = (key[1:] == key[:-1]) & (np.abs(np.diff(value[at])) > 0.0005)
    before, after = at[:-1][changed], at[1:][changed]
    out = np.zeros(len(rows), dtype="bool")
    broken = np.cumsum(breaks)
    last = -1
    for low, high in sorted(zip(before.tolist(), after.tolist(), strict=True), key=lambda p: p[1]):
        if broken[high] == broken[low] and last <= low:
            out[high] = True
            last = high
    return out


def _whole_records(breaks: Flags, working: pd.DataFrame, rows: Ints) -> Flags:
    """Move breaks inside a record to its first row."""
    order = working["order"].to_numpy()[rows]
    head = np.ones(len(rows), dtype="bool")
    head[1:] = np.diff(order) != 0
    record = np.cumsum(head) - 1
    any_break = np.bincount(record, weights=breaks) > 0
    return np.asarray(head & any_break[record])


def _follow_copies(working: pd.DataFrame, number: Ints, first: Flags) -> Ints:
    copies = np.flatnonzero(~first)
    if len(copies):
        position = pd.Index(working["reading_id"]).get_indexer(
            pd.Index(working["duplicate_of"].iloc[copies])
        )
        number[copies] = number[position]
    return number


_NO_SHEET = tables.conform(pd.DataFrame(index=[0]), tables.RUN_SHEETS)


def _table(
    working: pd.DataFrame, rows: Ints, begins: Flags, sheet: Ints, run_sheets: RunSheets,
    settings: Settings,
) -> pd.DataFrame:  # fmt: skip
    """Make one row per run, in the order of `begins`: RUNS and `meter_end` as far as known."""
    head = rows[begins]
    number = np.cumsum(begins) - 1
    utc = working["utc_s"].to_numpy()[rows]
    low, high = np.full(len(head), np.inf), np.full(len(head), -np.inf)
    np.fmin.at(low, number, utc)
    np.fmax.at(high, number, utc)
    zone = ZoneInfo(settings.timezone)
    started, ended = clocks.stamped(low, zone), clocks.stamped(high, zone)
    # the last row stands for no run sheet, −1
    papers = pd.concat([run_sheets.sheets, _NO_SHEET], ignore_index=True)
    said = papers.take(sheet[head]).reset_index(drop=True)
    dumped = {
        name: _joined(working[name], rows, number, len(head))
        for name in ("operator", "source_serial")
    }
    serial = working["meter_serial"].iloc[head].reset_index(drop=True)
    grade, method = settings.cords.grade, settings.cords.reference_method
    no_grade = (said["cord_grade"] == "").to_numpy() & (grade != "")
    no_method = (said["reference_method"] == 0).to_numpy() & (method != 0)
    return pd.DataFrame(
        {
            "run_id": _names(working.iloc[head], serial, started),
            "meter_serial": serial,
            "source_serial": said["source_serial"].mask(
                said["source_serial"] == "", dumped["source_serial"]
            ),
            "people": said["people"].mask(said["people"] == "", dumped["operator"]),
            "meter_end": said["meter_end"],
            "cords": said["cords"],
            "cord_grade": said["cord_grade"].mask(no_grade, grade),
            "reference_method": said["reference_method"].mask(no_method, method),
            "started_at": started,
            "ended_at": ended,
            "readings": np.bincount(number, minlength=len(head)),
            "assumed": [
                " ".join(
                    name for name, flag in (("cord_grade", g), ("reference_method", m)) if flag
                )
                for g, m in zip(no_grade, no_method, strict=True)
            ],
            "sheet_id": said["sheet_id"],
        }
    )


def _names(heads: pd.DataFrame, serial: pd.Series, started: pd.Series) -> list[str]:
    """Name each run as a person finds it: meter and begin, else meter, dump and first record.

    Names come from content alone; where two would be equal, the first reading tells them apart.
    """
    begins = [
        at[:16] if at else re.sub(r"\s+", "_", f"{dump}:{record}")
        for at, dump, record in zip(started, heads["dump_name"], heads["record"], strict=True)
    ]
    found = [f"{meter or 'meter'}@{begin}" for meter, begin in zip(serial, begins, strict=True)]
    seen = Counter(found)
    return [
        name if seen[name] == 1 else f"{name}-{ids.short(reading, length=4)}"
        for name, reading in zip(found, heads["reading_id"], strict=True)
    ]


def _joined(column: pd.Series, rows: Ints, number: Ints, count: int) -> pd.Series:
    """Return per run the distinct texts of a column, sorted and joined by commas."""
    text, names = codes(column, sort=True)
    run, place = np.divmod(distinct(number * len(names) + text[rows]), len(names))
    joined = [""] * count
    for at, name in zip(run.tolist(), names[place], strict=True):
        joined[at] += f", {name}" if joined[at] and name else name
    return pd.Series(joined, dtype="str")


def _directions(working: pd.DataFrame, table: pd.DataFrame, number: Ints) -> pd.DataFrame:
    """Fill directions from the sheet's meter end; what neither dump nor sheet says stays open.

    The job's planned direction is no evidence of the measured one.
    """
    given = {"a": "b-a", "b": "a-b"}
    filled = [given.get(end, "") for end in table["meter_end"]]
    source = ["run-sheet" if end in given else "" for end in table["meter_end"]]
    own, names = codes(working["direction"])
    blank = np.array([name == "" for name in names], dtype="bool")[own]
    direction = few([*names, *filled], np.where(blank, len(names) + number, own))
    origin = few([*source, "dump"], np.where(blank, number, len(source)))
    return working.assign(direction=direction, direction_from=origin)


def _against_sheet(
    out: pd.DataFrame, working: pd.DataFrame, table: pd.DataFrame, number: Ints
) -> pd.DataFrame:
    """Find runs whose dump names the direction opposite to the run sheet."""
    if not table["meter_end"].isin(("a", "b")).any():
        return suspicions.none()
    expected = texts([{"a": "b-a", "b": "a-b"}.get(end, "") for end in table["meter_end"]],
                     number, working.index)  # fmt: skip
    wrong = (working["direction"] != "") & (expected != "") & (working["direction"] != expected)
    wrong &= (out["duplicate_of"] == "") & (working["fibre_position"] != 2)
    if not wrong.any():
        return suspicions.none()
    counts = out.loc[wrong].groupby(["run_id", "direction"], sort=True).size().reset_index(name="n")
    sheet = table.set_index("run_id")["sheet_id"]
    return suspicions.found(
        "direction-against-sheet",
        subject=[f"run {run}" for run in counts["run_id"]],
        run_id=counts["run_id"],
        message=[
            f"{n} readings are stored as {direction}; run sheet {sheet[run]} puts the meter at the "
            "other end"
            for run, direction, n in counts.itertuples(index=False)
        ],
    )
