"""Run sheets laid over readings: which sheet speaks for which reading."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from rules import clocks, suspicions
from rules.columns import Flags, Floats, Ints
from rules.evaluation import RunSheets
from rules.settings import Settings


def match(
    working: pd.DataFrame, run_sheets: RunSheets, settings: Settings
) -> tuple[Ints, pd.DataFrame]:
    """Return for each reading the row of its sheet, −1 for none, and FOUND.

    A sheet speaks for the readings of its meter inside whatever it gives of dump (name, or first
    digits of the hash), slots and times (the job's local time; readings without a trusted clock
    then need dump or slots). Two sheets over one reading: neither counts.
    """
    chosen = np.full(len(working), -1, dtype="int64")
    clash = np.zeros(len(working), dtype="bool")
    table = run_sheets.sheets.reset_index(drop=True)
    found = []
    serial = working["meter_serial"].to_numpy(dtype=object)
    slot = working["slot"].to_numpy()
    utc = working["utc_s"].to_numpy()
    for number, row in enumerate(table.to_dict("records")):
        inside = np.ones(len(working), dtype="bool")
        if row["meter_serial"]:
            inside &= serial == row["meter_serial"]
        if row["dump"]:
            inside &= _of_dump(working, row["dump"])
        if row["first_slot"] >= 0 and row["last_slot"] >= max(row["first_slot"], 1):
            inside &= (slot >= row["first_slot"]) & (slot <= row["last_slot"])
        inside &= _in_time(utc, row, settings, placed=bool(row["dump"]) or row["last_slot"] > 0)
        if not inside.any():
            found.append(
                suspicions.found(
                    "sheet-unused", subject=f"run sheet {row['sheet_id']}",
                    message=f"run sheet {row['sheet_id']} (meter "
                    f"{row['meter_serial'] or 'unknown'}) covers no reading",
                )
            )  # fmt: skip
        clash |= inside & (chosen >= 0)
        chosen[inside] = number
    if clash.any():
        chosen[clash] = -1
        found.append(_clash(working.loc[clash]))
    return chosen, suspicions.join(*found)


def _of_dump(working: pd.DataFrame, given: str) -> Flags:
    named = (working["dump_name"] == given).to_numpy()
    if named.any() or len(given) < 6:
        return named
    return working["dump_sha256"].str.startswith(given.lower()).to_numpy()


def _in_time(utc: Floats, row: Mapping[Hashable, Any], settings: Settings, placed: bool) -> Flags:
    inside = np.ones(len(utc), dtype="bool")
    untimed = np.isnan(utc)
    for name, sign in (("started_at", 1.0), ("ended_at", -1.0)):
        if pd.isna(row[name]):
            continue
        bound = clocks.local_to_utc(row[name], settings.timezone)
        # a sheet gives minutes; a reading in the same minute belongs to it
        reach = 60.0 if sign < 0 else 0.0
        inside &= (untimed & placed) | (sign * (utc - bound) >= -reach)
    return inside


def _clash(rows: pd.DataFrame) -> pd.DataFrame:
    groups = rows.groupby(["dump_sha256", "meter_serial"], sort=True)
    table = groups.agg(
        n=("record", "size"), dump=("dump_name", "min"),
        first=("order", "min"), last=("order", "max"),
    ).reset_index()  # fmt: skip
    return suspicions.found(
        "sheet-clash",
        subject=[f"dump {name}" for name in table["dump"]],
        message=[f"{n} readings of dump {name} stand under two run sheets; neither was used"
                 for n, name in zip(table["n"], table["dump"], strict=True)],
        dump_sha256=table["dump_sha256"], meter_serial=table["meter_serial"],
        first_order=table["first"], last_order=table["last"],
    )  # fmt: skip
