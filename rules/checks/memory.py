"""Checks of memories: records that a dump should hold and does not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Ints, compound, starts

LISTED = 5
"""Gaps named in one sentence."""


def _slots(context: Context) -> tuple[Ints, Ints, Ints]:
    """Return meter, dump and slot of every record once, sorted by dump and slot."""
    slot = context.working["slot"].to_numpy()
    rows = np.flatnonzero(slot >= 0)
    key = compound(context.dump[rows], context.meter[rows], slot[rows])
    if np.any(key[1:] < key[:-1]):
        order = np.argsort(key, kind="stable")
        rows, key = rows[order], key[order]
    rows = rows[starts(key)] if len(rows) else rows
    return context.meter[rows], context.dump[rows], slot[rows]


@check("record-gap")
def gaps(context: Context) -> pd.DataFrame:
    """Find record numbers inside a dump that neither it nor another dump of the meter holds.

    Numbers that rise by two or more throughout are counted in that step.
    """
    meter, dump, slot = _slots(context)
    step = np.diff(slot)
    inside = (meter[1:] == meter[:-1]) & (dump[1:] == dump[:-1])
    if not (inside & (step > 1)).any():
        return suspicions.none()
    dumps = int(dump.max(initial=-1)) + 1
    usual = robust.medians(dump[1:][inside], step[inside].astype("float64"), dumps, step=1.0)
    at = np.flatnonzero(inside & (step > usual[dump[1:]])) if dumps else np.array([], "int64")
    if not len(at):
        return suspicions.none()
    held = _held(context, dump, slot)
    lost: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for place in at:
        number, part = int(meter[place]), int(dump[place])
        by = max(int(usual[part]), 1)
        missing = [s for s in range(int(slot[place]) + by, int(slot[place + 1]), by)
                   if s not in held[part]]  # fmt: skip
        if missing:
            lost.setdefault((number, part), []).append((missing[0], missing[-1]))
    first = {part: int(np.flatnonzero(context.dump == part)[0]) for _, part in lost}
    found = []
    for (number, part), spans in lost.items():
        listed = ", ".join(f"{a}–{b}" if a != b else f"{a}" for a, b in spans[:LISTED])
        more = f" and {len(spans) - LISTED} more" if len(spans) > LISTED else ""
        row = context.working.iloc[first[part]]
        serial = context.working["meter_serial"].iloc[
            int(np.flatnonzero(context.meter == number)[0])
        ]
        found.append(
            suspicions.found(
                "record-gap", subject=f"dump {row['dump_name']}", dump_sha256=row["dump_sha256"],
                meter_serial=serial,
                message=f"records {listed}{more} of meter {serial or 'unknown'} are in no dump",
            )
        )  # fmt: skip
    return suspicions.join(*found)


def _held(context: Context, dump: Ints, slot: Ints) -> dict[int, set[int]]:
    """Return per dump the record numbers that it or a dump of the same memory holds.

    Two dumps are of the same memory if one repeats readings of the other.
    """
    own = {int(d): set(slot[dump == d].tolist()) for d in np.unique(dump)}
    working = context.working
    copies = np.flatnonzero((working["duplicate_of"] != "").to_numpy())
    first = pd.Index(working["reading_id"]).get_indexer(
        pd.Index(working["duplicate_of"].iloc[copies])
    )
    number = context.dump
    pairs = set(zip(number[copies].tolist(), number[first].tolist(), strict=True))
    held = {d: set(slots) for d, slots in own.items()}
    for later, earlier in pairs:
        held.setdefault(later, set()).update(own.get(earlier, set()))
        held.setdefault(earlier, set()).update(own.get(later, set()))
    return held


@check("sheet-incomplete")
def promised(context: Context) -> pd.DataFrame:
    """Find record numbers that a run sheet names and no reading of it has."""
    sheets = context.run_sheets.sheets
    found = []
    for row in sheets.loc[sheets["last_slot"] > 0].to_dict("records"):
        mine = context.by_sheet.rows(row["sheet_id"])
        if not len(mine):
            continue
        there = set(context.working["slot"].to_numpy()[mine].tolist())
        wanted = range(max(int(row["first_slot"]), 0), int(row["last_slot"]) + 1)
        missing = [slot for slot in wanted if slot not in there]
        if missing:
            run = np.unique(context.run[mine])[:1]
            found.append(
                wording.of_runs(
                    context, "sheet-incomplete", run,
                    [f"run sheet {row['sheet_id']} names records {wanted.start}–{wanted.stop - 1}; "
                     f"{len(missing)} are missing, the first is {missing[0]}"],
                )
            )  # fmt: skip
    return suspicions.join(*found)
