"""What checks look at: the tables of one evaluation, and columns made of them once."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from rules import fibres, references, tables
from rules.checks.thresholds import THRESHOLDS
from rules.columns import Flags, Floats, Ints, codes
from rules.evaluation import Decisions, Plan, RunSheets
from rules.settings import Settings


@dataclass(frozen=True)
class Context:
    """One evaluation as checks see it; every array is one value per row of `working`."""

    plan: Plan
    working: pd.DataFrame
    runs: pd.DataFrame
    run_sheets: RunSheets
    pairs: pd.DataFrame
    decisions: Decisions
    settings: Settings
    planned: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.PLANNED))
    limits: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.LIMIT_ROWS))
    grades: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.GRADES))

    def threshold(self, name: str) -> float:
        """Return the job's value of a threshold, else the shipped one."""
        return dict(self.settings.thresholds).get(name, THRESHOLDS[name].value)

    @cached_property
    def paired(self) -> pd.DataFrame:
        """Return PAIRS in the order of `working`."""
        ids = self.working["reading_id"]
        if (
            len(self.pairs) == len(ids)
            and (self.pairs["reading_id"].to_numpy() == ids.to_numpy()).all()
        ):
            return self.pairs.reset_index(drop=True)
        at = pd.Index(self.pairs["reading_id"]).get_indexer(pd.Index(ids))
        return tables.conform(self.pairs.reset_index(drop=True).reindex(at), tables.PAIRS)

    @cached_property
    def link(self) -> Ints:
        """Return the row of `plan.links` that each reading is paired with, −1 without."""
        number, names = codes(self.paired["link_id"])
        row = pd.Index(self.plan.links["link_id"]).get_indexer(pd.Index(names, dtype="str"))
        out = np.where(self.status_paired, np.asarray(row, dtype="int64")[number], -1)
        return out.astype("int64")

    @cached_property
    def status_paired(self) -> Flags:
        """Tell which readings are paired without a question."""
        return (self.paired["status"] == "paired").to_numpy()

    @cached_property
    def single(self) -> Flags:
        """Tell which rows are no copies and were not left out."""
        copies = (self.working["duplicate_of"] != "").to_numpy()
        left = (self.paired["status"] == "left-out").to_numpy()
        return ~copies & ~left

    @cached_property
    def loss(self) -> Floats:
        """Return attenuation in dB of paired, single, readable link readings; NaN elsewhere."""
        counted = self.single & (self.link >= 0) & (self.working["state"] == "ok").to_numpy()
        counted &= self.working["quantity"].isin(("power", "attenuation")).to_numpy()
        counted &= (self.kind == "link") | (self.kind == "")
        return np.where(counted, self.working["loss_db"].to_numpy(), np.nan)

    @cached_property
    def kind(self) -> Any:
        """Return the kind of planned test each reading is paired with."""
        return self.paired["kind"].to_numpy(dtype=object)

    @cached_property
    def run(self) -> Ints:
        """Return the row of `runs` of each reading."""
        number, names = codes(self.working["run_id"])
        row = pd.Index(self.runs["run_id"]).get_indexer(pd.Index(names, dtype="str"))
        return np.asarray(row, dtype="int64")[number]

    @cached_property
    def window(self) -> Ints:
        """Return the wavelength in nm with 1300 and 1310 as one (1300)."""
        return references.window_key(self.working["wavelength_nm"])

    @cached_property
    def order(self) -> Ints:
        """Return the place in the meter's sequence."""
        return self.working["order"].to_numpy()

    @cached_property
    def utc(self) -> Floats:
        """Return s since 1970 UTC, NaN without a trusted clock."""
        return self.working["utc_s"].to_numpy()

    @cached_property
    def multimode(self) -> Flags:
        """Tell which readings are of a multimode link."""
        mode = fibres.is_multimode(self.plan.links["fibre_type"]).to_numpy()
        return np.asarray(self.of_link(mode, False))

    def of_link(self, values: Any, absent: Any) -> Any:
        """Spread one value per link over the readings; `absent` where a reading has no link."""
        if not len(values):
            return np.full(len(self.working), absent)
        return np.where(self.link >= 0, values[self.link], absent)
