"""The intake balance: every reading of every dump in exactly one heap."""

from __future__ import annotations

import pandas as pd

from rules import tables

HEAPS = {
    "paired": "paired",
    "question": "question",
    "outside-plan": "outside_plan",
    "left-out": "left_out",
    "duplicate": "duplicate",
}
"""Pair status to column of BALANCE."""


def balance(working: pd.DataFrame, pairs: pd.DataFrame, stopped: pd.Series) -> pd.DataFrame:
    """Count each dump's readings by what became of them, as BALANCE.

    read = paired + question + outside_plan + duplicate + reference + left_out + refused. A repeat
    counts as duplicate whatever else it is; a value that nobody could read as refused. `stopped`
    holds the reading_ids with an open `stop` finding: `doubtful` counts them among the paired.
    """
    status = working["reading_id"].map(pairs.set_index("reading_id")["status"])
    heap = status.map(HEAPS).fillna("question")
    heap = heap.mask(working["state"] == "unreadable", "refused")
    heap = heap.mask(working["quantity"] == "reference", "reference")
    heap = heap.mask(working["duplicate_of"] != "", "duplicate")
    by = [working["dump_sha256"], working["dump_name"]]
    counts = pd.crosstab(by, heap)
    counts["read"] = counts.sum(axis=1)
    doubtful = (heap == "paired") & working["reading_id"].isin(stopped)
    counts["doubtful"] = doubtful.groupby(by).sum()
    return tables.conform(counts.reset_index(), tables.BALANCE)
