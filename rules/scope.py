"""Which readings a finding is about."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from rules import tables
from rules.columns import Groups, Ints

SCOPE = ("reading_id", "run_id", "dump_sha256", "meter_serial", "wavelength_nm", "first_order",
         "last_order")  # fmt: skip
"""Columns of FOUND that say which readings a finding is about."""
CONCERNED: tables.Columns = {
    "reading_id": "text", "run_id": "text", "dump_sha256": "text", "meter_serial": "text",
    "wavelength_nm": "int", "order": "int", "duplicate_of": "text",
}  # fmt: skip
"""Columns of the working table by which the readings of a finding are found."""


class Scope:
    """Finds the readings that a finding covers, among those of a working table (CONCERNED)."""

    def __init__(self, working: pd.DataFrame) -> None:
        self.working = working
        self.order: Ints = working["order"].to_numpy()
        self.wavelength: Ints = working["wavelength_nm"].to_numpy()
        self.single = (working["duplicate_of"] == "").to_numpy()
        self.by: dict[str, Groups] = {}

    def named(self, ids: pd.Series) -> Ints:
        """Return the row of working of each reading_id, −1 for those that are none.

        Few are named of many readings: only they are numbered.
        """
        rows = np.flatnonzero(self.working["reading_id"].isin(ids).to_numpy())
        among = pd.Index(self.working["reading_id"].array.take(rows))
        found: Ints = np.append(rows, -1)[among.get_indexer(pd.Index(ids))]
        return found

    def rows(self, finding: Mapping[Hashable, Any]) -> Ints:
        """Return the rows of working that one finding (a row of FOUND) is about."""
        if finding["reading_id"]:
            at = self.named(pd.Series([finding["reading_id"]], dtype="str"))
            return at[at >= 0]
        for column in SCOPE[1:4]:
            if finding[column]:
                if column not in self.by:
                    self.by[column] = Groups(self.working[column])
                rows = self.by[column].rows(finding[column])
                break
        else:
            return np.array([], dtype="int64")
        keep = self.single[rows]
        if finding["wavelength_nm"]:
            keep = keep & (self.wavelength[rows] == finding["wavelength_nm"])
        if finding["last_order"]:
            keep = keep & (self.order[rows] >= finding["first_order"])
            keep = keep & (self.order[rows] <= finding["last_order"])
        return np.asarray(rows[keep])
