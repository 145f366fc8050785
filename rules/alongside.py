"""Pairs laid beside the readings they belong to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import tables
from rules.columns import positions

BESIDE: tables.Columns = {
    name: kind for name, kind in tables.PAIRS.items() if name not in ("how", "confidence", "reason")
}
"""What later stages ask of a pair; how it came about is for people."""


def pairs_of(working: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Return BESIDE for each row of `working`, in its order; empty where PAIRS has no row.

    Looking a million ids up is dear: this is done once for all stages.
    """
    ids = working["reading_id"].array
    at = positions(pairs["reading_id"], working["reading_id"])
    if np.array_equal(at, np.arange(len(pairs))):
        return pairs[list(BESIDE)].reset_index(drop=True)
    if (at < 0).any():
        found = pairs[list(BESIDE)].reset_index(drop=True).reindex(at).reset_index(drop=True)
        return tables.conform(found.assign(reading_id=ids), BESIDE)
    taken = {name: pairs[name].array.take(at) for name in BESIDE if name != "reading_id"}
    return pd.DataFrame({"reading_id": ids} | taken)
