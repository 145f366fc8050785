"""What the evaluation knows of each reading, as arrays made once for all checks."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from rules import alongside, clocks, references, source_logs, tables
from rules.checks.thresholds import THRESHOLDS
from rules.columns import Flags, Floats, Groups, Ints, among, codes, common_codes, numbers, places
from rules.evaluation import Decisions, Plan, RunSheets
from rules.settings import Settings

WAYS = {"a-b": 0, "b-a": 1}
UNKNOWN_WAY = 2


def way_numbers(column: pd.Series) -> Ints:
    """Return the number of each direction."""
    return np.array([UNKNOWN_WAY, *WAYS.values()], dtype="int8")[places(column, ("", *WAYS))]


@dataclass(frozen=True)
class Basis:
    """One evaluation, and what each of its readings is.

    An array is one value per row of `working` unless its docstring says otherwise; it is made at
    the first use and kept.
    """

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
        """Return what PAIRS says of each row of `working`, in its order."""
        return alongside.pairs_of(self.working, self.pairs)

    @cached_property
    def ok(self) -> Flags:
        """Tell which readings hold a value."""
        return (self.working["state"] == "ok").to_numpy()

    @cached_property
    def log(self) -> Flags:
        """Tell which rows are a light source's own log."""
        return source_logs.rows(self.working)

    @cached_property
    def tested(self) -> Flags:
        """Tell which runs hold more than a light source's own log; one value per run."""
        return np.bincount(self.run[~self.log], minlength=len(self.runs)) > 0

    @cached_property
    def single(self) -> Flags:
        """Tell which rows are no copies and were not left out."""
        copies = (self.working["duplicate_of"] != "").to_numpy()
        return ~copies & (self.paired["status"] != "left-out").to_numpy()

    @cached_property
    def _rows_of_links(self) -> tuple[Ints, Ints]:
        """Return the row of `plan.links`, −1 for none, of each reading and of each planned test."""
        (read, asked, have), names = common_codes(
            self.paired["link_id"], self.planned["link_id"], self.plan.links["link_id"]
        )
        row = np.full(len(names), -1, dtype="int64")
        row[have] = np.arange(len(have))
        return row[read], row[asked]

    @cached_property
    def link(self) -> Ints:
        """Return the row of `plan.links` that each single reading is paired with, −1 without."""
        sure = self.single & (self.paired["status"] == "paired").to_numpy()
        return np.where(sure, self._rows_of_links[0], -1)

    @cached_property
    def planned_link(self) -> Ints:
        """Return the row of `plan.links` of each planned test."""
        return self._rows_of_links[1]

    @cached_property
    def dump(self) -> Ints:
        """Return the number of each reading's dump, in the order of their hashes."""
        return numbers(self.working["dump_sha256"], sort=True)

    @cached_property
    def meter(self) -> Ints:
        """Return the number of each reading's meter; without a serial one per dump."""
        return clocks.meter_codes(self.working, self.dump)

    def relabelled(self, rows: Ints) -> Flags:
        """Tell which rows are labelled otherwise than the row before them; one fewer than rows."""
        label = self.working["label"].array.take(rows)
        return np.asarray(label[1:] != label[:-1], dtype="bool")

    @cached_property
    def by_sheet(self) -> Groups:
        """Return the rows of each run sheet."""
        return Groups(self.working["sheet_id"])

    @cached_property
    def of_links(self) -> Flags:
        """Tell which readings are attenuation or power of a link (not of a cord, a port …)."""
        kind = among(self.paired["kind"], ("link", ""))
        quantity = among(self.working["quantity"], ("power", "attenuation"))
        return kind & quantity & (self.link >= 0)

    @cached_property
    def loss(self) -> Floats:
        """Return attenuation in dB where a single, paired link reading holds one, else NaN."""
        return np.where(self.of_links & self.ok, self.working["loss_db"].to_numpy(), np.nan)

    @cached_property
    def run(self) -> Ints:
        """Return the row of `runs` of each reading."""
        number, names = codes(self.working["run_id"])
        row = pd.Index(self.runs["run_id"]).get_indexer(pd.Index(names, dtype="str"))
        return np.asarray(row, dtype="int64")[number]

    @cached_property
    def method(self) -> Ints:
        """Return the number of test cords at the reference, 0 unknown."""
        return self.runs["reference_method"].to_numpy()[self.run]

    @cached_property
    def lane(self) -> Ints:
        """Return the place of the reading's wavelength in `lanes`."""
        return np.searchsorted(self.lanes, self._window).astype("int64")

    @cached_property
    def lanes(self) -> Ints:
        """Return the wavelengths in nm that occur, ascending; 1300 stands for 1310 too."""
        return np.sort(pd.unique(self._window))

    @cached_property
    def _window(self) -> Ints:
        return references.window_key(self.working["wavelength_nm"])

    @cached_property
    def way(self) -> Ints:
        """Return 0 for a-b, 1 for b-a, 2 unknown; an answer stands above dump and sheet."""
        said, answered = (way_numbers(part["direction"]) for part in (self.working, self.paired))
        return np.where(answered == UNKNOWN_WAY, said, answered)

    @cached_property
    def order(self) -> Ints:
        """Return the place in the meter's sequence."""
        return self.working["order"].to_numpy()

    @cached_property
    def utc(self) -> Floats:
        """Return s since 1970 UTC, NaN without a trusted clock."""
        return self.working["utc_s"].to_numpy()
