"""Checks of memories: records that a dump should hold and does not."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Ints, codes, combined, starts

LISTED = 5
"""Gaps named in one sentence."""


def _slots(context: Context) -> tuple[Ints, Ints, Ints]:
    """Return meter, dump and slot of every record once, sorted."""
    slot = context.working["slot"].to_numpy()
    rows = np.flatnonzero(slot >= 0)
    meter = codes(context.working["meter_serial"], sort=True)[0][rows]
    dump = codes(context.working["dump_sha256"], sort=True)[0][rows]
    order = np.lexsort((slot[rows], dump, meter))
    meter, dump, slot = meter[order], dump[order], slot[rows][order]
    fresh = starts(combined(meter, dump, slot)) if len(slot) else np.array([], "bool")
    return meter[fresh], dump[fresh], slot[fresh]


@check("record-gap")
def gaps(context: Context) -> pd.DataFrame:
    """Find record numbers inside a dump that neither it nor another dump of the meter holds.

    Numbers that rise by two or more throughout are counted in that step.
    """
    meter, dump, slot = _slots(context)
    step = np.diff(slot)
    inside = (meter[1:] == meter[:-1]) & (dump[1:] == dump[:-1])
    usual = pd.Series(step[inside]).groupby(dump[1:][inside]).median()
    at = np.flatnonzero(inside & (step > usual.reindex(dump[1:], fill_value=1).to_numpy()))
    held = _held(context, dump, slot)
    lost: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for place in at:
        number, part = int(meter[place]), int(dump[place])
        by = int(usual[dump[place]])
        missing = [s for s in range(int(slot[place]) + by, int(slot[place + 1]), by)
                   if s not in held[part]]  # fmt: skip
        if missing:
            lost.setdefault((number, part), []).append((missing[0], missing[-1]))
    serials = codes(context.working["meter_serial"], sort=True)[1]
    hashes = codes(context.working["dump_sha256"], sort=True)[1]
    named = context.working.groupby("dump_sha256")["dump_name"].min()
    found = []
    for (number, part), spans in lost.items():
        listed = ", ".join(f"{a}–{b}" if a != b else f"{a}" for a, b in spans[:LISTED])
        more = f" and {len(spans) - LISTED} more" if len(spans) > LISTED else ""
        found.append(
            suspicions.found(
                "record-gap", subject=f"dump {named[hashes[part]]}", dump_sha256=hashes[part],
                meter_serial=serials[number],
                message=f"records {listed}{more} of meter {serials[number] or 'unknown'} are in no "
                "dump",
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
    number = codes(working["dump_sha256"], sort=True)[0]
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
