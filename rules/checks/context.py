"""What checks look at: the tables of one evaluation, and columns made of them once."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from rules import clocks, ends, fibres, references, robust, source_logs, tables
from rules.checks.thresholds import THRESHOLDS
from rules.columns import Flags, Floats, Groups, Ints, codes, compound, starts
from rules.evaluation import Decisions, Plan, RunSheets
from rules.settings import Settings

WAYS = {"a-b": 0, "b-a": 1}
UNKNOWN_WAY = 2
CLIP_DB = 0.6
"""One bad link must not look like a change of level: single values count up to this."""
ENDS_LEFT_OUT = {2: 1, 3: 2}
"""Link ends that the reference method takes out of the measurement: IEC 61280-4-1."""


@dataclass(frozen=True)
class Context:
    """One evaluation as checks see it.

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

    def graded(self, grades: pd.DataFrame) -> Context:
        """Return the same context with GRADES; columns already made are kept."""
        other = replace(self, grades=grades)
        made = {name: value for name, value in vars(self).items() if name not in vars(other)}
        vars(other).update(made)
        return other

    # what each reading is

    @cached_property
    def paired(self) -> pd.DataFrame:
        """Return PAIRS in the order of `working`."""
        ids = self.working["reading_id"].array
        if len(self.pairs) == len(ids) and bool((self.pairs["reading_id"].array == ids).all()):
            return self.pairs.reset_index(drop=True)
        at = pd.Index(self.pairs["reading_id"]).get_indexer(pd.Index(ids))
        return tables.conform(self.pairs.reset_index(drop=True).reindex(at), tables.PAIRS)

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
    def link(self) -> Ints:
        """Return the row of `plan.links` that each single reading is paired with, −1 without."""
        number, names = codes(self.paired["link_id"])
        row = pd.Index(self.plan.links["link_id"]).get_indexer(pd.Index(names, dtype="str"))
        sure = self.single & (self.paired["status"] == "paired").to_numpy()
        return np.where(sure, np.asarray(row, dtype="int64")[number], -1)

    @cached_property
    def dump(self) -> Ints:
        """Return the number of each reading's dump, in the order of their hashes."""
        return codes(self.working["dump_sha256"], sort=True)[0]

    @cached_property
    def meter(self) -> Ints:
        """Return the number of each reading's meter; without a serial one per dump."""
        return clocks.meter_codes(self.working, self.dump)

    @cached_property
    def label(self) -> Ints:
        """Return the number of each reading's label."""
        return codes(self.working["label"])[0]

    @cached_property
    def by_sheet(self) -> Groups:
        """Return the rows of each run sheet."""
        return Groups(self.working["sheet_id"])

    @cached_property
    def of_links(self) -> Flags:
        """Tell which readings are attenuation or power of a link (not of a cord, a port …)."""
        kind = self.paired["kind"].isin(("link", "")).to_numpy()
        quantity = self.working["quantity"].isin(("power", "attenuation")).to_numpy()
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
        out = np.full(len(self.working), UNKNOWN_WAY, dtype="int64")
        for column in (self.working["direction"], self.paired["direction"]):
            for name, way in WAYS.items():
                out[(column == name).to_numpy()] = way
        return out

    @cached_property
    def order(self) -> Ints:
        """Return the place in the meter's sequence."""
        return self.working["order"].to_numpy()

    @cached_property
    def utc(self) -> Floats:
        """Return s since 1970 UTC, NaN without a trusted clock."""
        return self.working["utc_s"].to_numpy()

    # links

    @cached_property
    def multimode(self) -> Flags:
        """Tell which links are multimode; one value per link."""
        return fibres.is_multimode(self.plan.links["fibre_type"]).to_numpy()

    @cached_property
    def _cables(self) -> tuple[Ints, Any]:
        links = self.plan.links
        name, bare = links["cable"], links["cable"] == ""
        if bare.any():
            panels = ends.panel(links["a_end"]) + " / " + ends.panel(links["b_end"])
            name = name.mask(bare, panels)
        return codes(name, sort=True)

    @cached_property
    def cable(self) -> Ints:
        """Return the number of each link's cable, of its two panels where none is named."""
        return self._cables[0]

    @cached_property
    def cable_names(self) -> list[str]:
        """Return the name of each number in `cable`."""
        return list(self._cables[1])

    @cached_property
    def typical(self) -> Floats:
        """Return typical fibre loss in dB of a link per lane (links × lanes), NaN if unknown."""
        length_km = self.plan.links["length_m"].to_numpy() / 1000.0
        out = np.full((len(length_km), len(self.lanes)), np.nan)
        for lane, nm in enumerate(self.lanes):
            for mode, name in ((True, int(nm)), (False, 1310 if nm == 1300 else int(nm))):
                known = f"typical_{name}_db_km"
                if known in THRESHOLDS and (name in (850, 953, 1300)) == mode:
                    rows = self.multimode == mode
                    out[rows, lane] = length_km[rows] * self.threshold(known)
        return out

    @cached_property
    def expected(self) -> Floats:
        """Return the loss in dB that a sound link of this length and make would show.

        Fibre, connections inside the measurement by the run's method, splices; the plan's count of
        connections, two where it gives none.
        """
        links = self.plan.links
        connections = links["connections"].fillna(2.0).to_numpy()
        fixed = connections * self.threshold("typical_connection_db")
        fixed = fixed + links["splices"].fillna(0.0).to_numpy() * self.threshold(
            "typical_splice_db"
        )
        out = np.full(len(self.link), np.nan)
        if len(links):
            out = self.typical[self.link, self.lane] + fixed[self.link]
            fewer = np.array([ENDS_LEFT_OUT.get(m, 0) for m in range(4)])[
                np.clip(self.method, 0, 3)
            ]
            out -= fewer * self.threshold("typical_connection_db")
        return np.where(self.link >= 0, out, np.nan)

    @cached_property
    def excess(self) -> Floats:
        """Return loss − expected in dB; NaN without a planned length."""
        return self.loss - self.expected

    @cached_property
    def cable_lane(self) -> Ints:
        """Return cable × lane of readings with a loss, −1 elsewhere."""
        if not len(self.plan.links):
            return np.full(len(self.link), -1, dtype="int64")
        key = self.cable[self.link] * len(self.lanes) + self.lane
        return np.where(np.isnan(self.loss), -1, key)

    @cached_property
    def cable_lanes(self) -> int:
        """Return the number of keys in `cable_lane`."""
        return int(self.cable.max(initial=-1) + 1) * len(self.lanes)

    @cached_property
    def straightened(self) -> Floats:
        """Return loss less the fibre's typical loss, where lengths are known; else the loss."""
        if not len(self.plan.links):
            return self.loss
        fibre = self.typical[self.link, self.lane]
        return self.loss - np.where(np.isnan(fibre), 0.0, fibre)

    @cached_property
    def cable_median(self) -> Floats:
        """Return the median of `straightened` per cable × lane."""
        return robust.medians(self.cable_lane, self.straightened, self.cable_lanes)

    @cached_property
    def relative(self) -> Floats:
        """Return how far each reading lies above the median of its cable and wavelength, in dB."""
        if not self.cable_lanes:
            return self.loss
        return self.straightened - self.cable_median[self.cable_lane]

    @cached_property
    def noise(self) -> Floats:
        """Return the robust spread of `relative` per cable × lane, at least 0.02 dB."""
        centre = np.zeros(self.cable_lanes)
        spread = robust.spreads(self.cable_lane, self.relative, self.cable_lanes, centre)
        return np.fmax(spread, 0.02)

    # planned tests

    @cached_property
    def asked(self) -> Any:
        """Tell which link × lane × way are planned, among the lanes that occur."""
        out = np.zeros((len(self.plan.links), len(self.lanes), 3), dtype="bool")
        rows = self.planned["kind"].isin(("link", "")).to_numpy()
        number, names = codes(self.planned["link_id"])
        at = pd.Index(self.plan.links["link_id"]).get_indexer(pd.Index(names, dtype="str"))
        nm = references.window_key(self.planned["wavelength_nm"])
        if not len(self.lanes) or not rows.any():
            return out
        lane = np.minimum(np.searchsorted(self.lanes, nm), len(self.lanes) - 1)
        way = np.full(len(nm), UNKNOWN_WAY, dtype="int64")
        for name, place in WAYS.items():
            way[(self.planned["direction"] == name).to_numpy()] = place
        rows = rows & (self.lanes[lane] == nm) & (at[number] >= 0)
        out[at[number[rows]], lane[rows], way[rows]] = True
        return out

    @cached_property
    def current(self) -> Any:
        """Return the row of the newest reading per link × lane × way, −1 for none."""
        shape = (len(self.plan.links), len(self.lanes), 3)
        out = np.full(shape, -1, dtype="int64")
        rows = np.flatnonzero(~np.isnan(self.loss))
        when = np.where(np.isnan(self.utc[rows]), -np.inf, self.utc[rows])
        if np.any(when[1:] < when[:-1]):
            rows = rows[np.lexsort((self.order[rows], when))]
        out[self.link[rows], self.lane[rows], self.way[rows]] = rows
        return out

    @cached_property
    def latest(self) -> Any:
        """Return the loss in dB of `current`, NaN for none (links × lanes × ways)."""
        return np.where(self.current >= 0, self.loss[self.current], np.nan)

    def lane_of(self, wavelength_nm: int) -> int | None:
        """Return the place of a wavelength in `lanes`, None where it does not occur."""
        found = np.flatnonzero(
            self.lanes == references.SECOND_WINDOW.get(wavelength_nm, wavelength_nm)
        )
        return int(found[0]) if len(found) else None

    @cached_property
    def track(self) -> Ints:
        """Return run × lane of readings with a loss, −1 elsewhere."""
        return np.where(np.isnan(self.loss), -1, self.run * len(self.lanes) + self.lane)

    @cached_property
    def tracks(self) -> int:
        """Return the number of keys in `track`."""
        return len(self.runs) * len(self.lanes)

    # records in their series

    @cached_property
    def sequence(self) -> tuple[Ints, Flags]:
        """Return single rows in the order of each meter's records, and where the meter goes on."""
        rows = np.flatnonzero(self.single)
        key = compound(self.meter[rows], self.order[rows])
        if np.any(key[1:] < key[:-1]):
            rows = rows[np.argsort(key, kind="stable")]
        meter = self.meter[rows]
        return rows, meter[1:] == meter[:-1]

    @cached_property
    def run_span(self) -> tuple[Floats, Floats]:
        """Return the first and last time of each run, s since 1970 UTC, ±inf without any."""
        low, high = np.full(len(self.runs), np.inf), np.full(len(self.runs), -np.inf)
        np.fmin.at(low, self.run, self.utc)
        np.fmax.at(high, self.run, self.utc)
        return low, high

    @cached_property
    def places(self) -> tuple[Ints, Ints]:
        """Return the rows with a loss by run, cable and order, and the number of their visit.

        A visit is what was stored of one link without another link between: some meters store
        each wavelength as a record of its own.
        """
        rows = np.flatnonzero(self.cable_lane >= 0)
        if not len(rows):
            return rows, rows
        link = self.link[rows]
        key = compound(self.run[rows], self.cable[link], self.order[rows], link)
        if np.any(key[1:] < key[:-1]):
            rows = rows[np.argsort(key, kind="stable")]
        fresh = starts(self.link[rows])
        fresh[1:] |= self.run[rows][1:] != self.run[rows][:-1]
        return rows, np.cumsum(fresh) - 1

    @cached_property
    def series(self) -> pd.DataFrame:
        """Return one row per visit to a link, sorted by run, cable and order.

        Columns: run, cable, order, row (of working), segment (run × cable, from 0), own (dB above
        the cable's median, mean over wavelengths: a change of the reference shows at all), value
        (the same less what other readings found on that link, where there are any: the link's own
        connectors cancel).
        """
        rows, number = self.places
        clipped = np.clip(self.relative[rows], -CLIP_DB, CLIP_DB)
        cell = self.link[rows] * len(self.lanes) + self.lane[rows]
        total, n = np.bincount(cell, clipped)[cell], np.bincount(cell)[cell]
        against = (total - clipped) / np.maximum(n - 1, 1)
        count = np.maximum(np.bincount(number), 1)
        head = rows[starts(number)] if len(rows) else rows
        run, cable = self.run[head], self.cable[self.link[head]] if len(head) else head
        fresh = np.ones(len(head), dtype="bool")
        fresh[1:] = (run[1:] != run[:-1]) | (cable[1:] != cable[:-1])
        return pd.DataFrame(
            {
                "run": run, "cable": cable, "order": self.order[head], "row": head,
                "segment": np.cumsum(fresh) - 1,
                "own": np.bincount(number, clipped) / count,
                "value": np.bincount(number, clipped - against) / count,
            }
        )  # fmt: skip
