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
    known = np.array([HEAPS.get(name, "question") for name in names] + ["question"], dtype=object)
    row = columns.positions(pairs["reading_id"], working["reading_id"])
    heap = known[np.append(status, len(names))[row]]
    for name, value, column in (
        ("state", "unreadable", "refused"), ("quantity", "reference", "reference")
    ):  # fmt: skip
        heap[(working[name] == value).to_numpy()] = column
    heap[(working["duplicate_of"] != "").to_numpy()] = "duplicate"
    dump, dumps = columns.codes(working["dump_sha256"] + "\n" + working["dump_name"], sort=True)
    counts = {name: np.bincount(dump[heap == name], minlength=len(dumps)) for name in COUNTED}
    doubtful = (heap == "paired") & working["reading_id"].isin(stopped).to_numpy()
    table = pd.DataFrame(counts).assign(
        read=np.bincount(dump, minlength=len(dumps)),
        doubtful=np.bincount(dump[doubtful], minlength=len(dumps)),
        dump_sha256=[text.split("\n", 1)[0] for text in dumps],
        dump_name=[text.split("\n", 1)[1] for text in dumps],
    )
    return tables.conform(table, tables.BALANCE)
