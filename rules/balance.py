"""The intake balance: every reading of every dump in exactly one heap."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import columns, tables

HEAPS = {
    "paired": "paired",
    "question": "question",
    "outside-plan": "outside_plan",
    "left-out": "left_out",
    "duplicate": "duplicate",
}
"""Pair status to column of BALANCE."""
COUNTED = (*HEAPS.values(), "reference", "refused")


def balance(working: pd.DataFrame, pairs: pd.DataFrame, stopped: pd.Series) -> pd.DataFrame:
    """Count each dump's readings by what became of them, as BALANCE.

    read = paired + question + outside_plan + duplicate + reference + left_out + refused. A repeat
    counts as duplicate whatever else it is; a value that nobody could read as refused. `stopped`
    holds the reading_ids with an open `stop` finding: `doubtful` counts them among the paired.
    """
    status, names = columns.codes(pairs["status"])
    place = {name: number for number, name in enumerate(COUNTED)}
    known = np.array([place[HEAPS.get(name, "question")] for name in [*names, ""]], dtype="int64")
    row = columns.positions(pairs["reading_id"], working["reading_id"])
    heap = known[np.append(status, len(names))[row]]
    for name, value, column in (
        ("state", "unreadable", "refused"), ("quantity", "reference", "reference")
    ):  # fmt: skip
        heap[(working[name] == value).to_numpy()] = place[column]
    heap[(working["duplicate_of"] != "").to_numpy()] = place["duplicate"]
    of = [columns.codes(working[name], sort=True) for name in ("dump_sha256", "dump_name")]
    dump = columns.combined(*(number for number, _ in of))
    dumps = int(dump.max(initial=-1)) + 1
    some = np.zeros(dumps, dtype="int64")
    some[dump] = np.arange(len(dump))
    counts = {
        name: np.bincount(dump[heap == number], minlength=dumps) for name, number in place.items()
    }
    doubtful = (heap == place["paired"]) & working["reading_id"].isin(stopped).to_numpy()
    table = pd.DataFrame(counts).assign(
        read=np.bincount(dump, minlength=dumps),
        doubtful=np.bincount(dump[doubtful], minlength=dumps),
        dump_sha256=of[0][1][of[0][0][some]],
        dump_name=of[1][1][of[1][0][some]],
    )
    return tables.conform(table, tables.BALANCE)
