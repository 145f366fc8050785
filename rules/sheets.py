"""Run sheets laid over readings: which sheet speaks for which reading."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from rules import clocks, suspicions
from rules.columns import Flags, Groups, Ints
from rules.evaluation import RunSheets
from rules.settings import Settings

SHORTEST_HASH = 6
"""Digits of a hash that name a dump."""
MINUTE_S = 60.0
NOTHING = np.array([], dtype="int64")


def match(
    working: pd.DataFrame, run_sheets: RunSheets, settings: Settings
) -> tuple[Ints, pd.DataFrame]:
    """Return for each reading the row of its sheet, −1 for none, and FOUND.

    A sheet speaks for the readings of its meter inside whatever it gives of dump (name, or first
    digits of the hash) and slots, and without slots of times (the job's local time; readings
    without a trusted clock then need the dump). Two sheets over one reading: neither counts.
    """
    chosen = np.full(len(working), -1, dtype="int64")
    clash = np.zeros(len(working), dtype="bool")
    by_dump = _Dumps(working)
    by_meter = Groups(working["meter_serial"])
    found = []
    for number, row in enumerate(run_sheets.sheets.to_dict("records")):
        rows = by_dump.rows(row["dump"]) if row["dump"] else by_meter.rows(row["meter_serial"])
        if row["dump"] and row["meter_serial"]:
            rows = rows[working["meter_serial"].iloc[rows].to_numpy() == row["meter_serial"]]
        rows = rows[_inside(working, rows, row, settings)]
        if not len(rows):
            found.append(
                suspicions.found(
                    "sheet-unused", subject=f"run sheet {row['sheet_id']}",
                    sheet_id=row["sheet_id"],
                    message=f"run sheet {row['sheet_id']} (meter "
                    f"{row['meter_serial'] or 'unknown'}) covers no reading",
                )
            )  # fmt: skip
        clash[rows[chosen[rows] >= 0]] = True
        chosen[rows] = number
    if clash.any():
        chosen[clash] = -1
        found.append(_clash(working.loc[clash]))
    return chosen, suspicions.join(*found)


class _Dumps:
    """Finds the rows of a dump by its name or the first digits of its hash."""

    def __init__(self, working: pd.DataFrame) -> None:
        self.names, self.hashes = Groups(working["dump_name"]), Groups(working["dump_sha256"])

    def rows(self, given: str) -> Ints:
        if given in self.names or len(given) < SHORTEST_HASH:
            return self.names.rows(given)
        hits = [name for name in self.hashes.names() if name.startswith(given.lower())]
        return np.sort(np.concatenate([self.hashes.rows(name) for name in hits] or [NOTHING]))


def may_name(dumps: pd.DataFrame, given: str) -> list[str]:
    """Return the hashes of dumps (dump_sha256, dump_name) that a sheet may mean by a text.

    A name and the first digits of a hash both count: which of them is meant depends on what other
    dumps there are.
    """
    named = (dumps["dump_name"] == given) | (
        dumps["dump_sha256"].str.startswith(given.lower()) & (len(given) >= SHORTEST_HASH)
    )
    return dumps["dump_sha256"].loc[named].to_list()


def _inside(
    working: pd.DataFrame, rows: Ints, row: Mapping[Hashable, Any], settings: Settings
) -> Flags:
    """Tell which rows lie inside the slots, or else the times, that a sheet gives.

    Slots are exact; times beside them are what the clock is compared with.
    """
    slotted = row["first_slot"] >= 0 and row["last_slot"] >= max(row["first_slot"], 1)
    if slotted:
        slot = working["slot"].to_numpy()[rows]
        return np.asarray((slot >= row["first_slot"]) & (slot <= row["last_slot"]))
    utc = working["utc_s"].to_numpy()[rows]
    inside = np.ones(len(rows), dtype="bool")
    for name, sign in (("started_at", 1.0), ("ended_at", -1.0)):
        if pd.isna(row[name]):
            continue
        bound = clocks.local_to_utc(row[name], settings.timezone)
        # a sheet gives minutes; a reading in the last minute belongs to it
        reach = MINUTE_S if sign < 0 else 0.0
        inside &= (np.isnan(utc) & bool(row["dump"])) | (sign * (utc - bound) >= -reach)
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
