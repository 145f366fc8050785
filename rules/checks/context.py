"""What checks look at: one evaluation with its planned tests, tracks and series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from rules import references
from rules.checks.basis import way_numbers
from rules.checks.expectation import Expectation
from rules.columns import Flags, Floats, Ints, among, compound, starts

CLIP_DB = 0.6
"""One bad link must not look like a change of level: single values count up to this."""

PAIRS = ((850, 1300, True), (1310, 1550, False), (1310, 1625, False))
"""Wavelengths compared, and whether on multimode."""


SPENT = (
    "across", "asked", "both_ways", "by_sheet", "dump", "latest", "log", "meter", "method", "ok",
    "order", "places", "sequence", "series", "track", "track_nm", "utc", "_window",
)  # fmt: skip
"""Columns for the checks before grading."""


@dataclass(frozen=True)
class Context(Expectation):
    """One evaluation as checks see it.

    An array is one value per row of `working` unless its docstring says otherwise; it is made at
    the first use and kept.
    """

    def lean(self) -> Context:
        """Return the same context without what hardly a check after grading asks for.

        Grading takes as much memory as these columns; one that is asked for is made again.
        """
        return self._with(self.grades, SPENT)

    def graded(self, grades: pd.DataFrame) -> Context:
        """Return the same context with GRADES; columns already made are kept."""
        return self._with(grades, ())

    def _with(self, grades: pd.DataFrame, without: Sequence[str]) -> Context:
        other = replace(self, grades=grades)
        out = (*vars(other), *without)
        made = {name: value for name, value in vars(self).items() if name not in out}
        vars(other).update(made)
        return other

    @cached_property
    def asked(self) -> Any:
        """Tell which link × lane × way are planned, among the lanes that occur."""
        out = np.zeros((len(self.plan.links), len(self.lanes), 3), dtype="bool")
        rows = among(self.planned["kind"], ("link", ""))
        link = self.planned_link
        number, nm = pd.factorize(self.planned["wavelength_nm"])
        if not len(self.lanes) or not rows.any():
            return out
        window = pd.Index(references.window_key(pd.Series(nm)))
        lane = pd.Index(self.lanes).get_indexer(window)[number]
        way = way_numbers(self.planned["direction"])
        at = np.flatnonzero(rows & (lane >= 0) & (link >= 0))
        out.ravel()[(link[at] * len(self.lanes) + lane[at]) * 3 + way[at]] = True
        return out

    @cached_property
    def cell(self) -> Ints:
        """Return link × lane of readings with a loss, −1 elsewhere."""
        return np.where(np.isnan(self.loss), -1, self.link * len(self.lanes) + self.lane)

    @cached_property
    def current(self) -> Any:
        """Return the row of the newest reading per link × lane × way, −1 for none."""
        shape = (len(self.plan.links), len(self.lanes), 3)
        out = np.full(shape, -1, dtype="int64")
        rows = np.flatnonzero(self.cell >= 0)
        when = np.where(np.isnan(self.utc[rows]), -np.inf, self.utc[rows])
        if np.any(when[1:] < when[:-1]):
            rows = rows[np.lexsort((self.order[rows], when))]
        out.ravel()[self.cell[rows] * 3 + self.way[rows]] = rows
        return out

    @cached_property
    def latest(self) -> Any:
        """Return the loss in dB of `current`, NaN for none (links × lanes × ways)."""
        return np.where(self.current >= 0, self.loss[self.current], np.nan)

    @cached_property
    def both_ways(self) -> pd.DataFrame:
        """Return link × lane with a current loss both ways.

        Columns: link, lane, ab and ba (rows of working), run_ab, run_ba, difference (dB, a-b less
        b-a).
        """
        ab, ba = self.current[:, :, 0], self.current[:, :, 1]
        there = (ab >= 0) & (ba >= 0)
        link, lane = np.nonzero(there)
        a, b = ab[there], ba[there]
        columns = {
            "link": link, "lane": lane, "ab": a, "ba": b, "run_ab": self.run[a],
            "run_ba": self.run[b], "difference": self.loss[a] - self.loss[b],
        }  # fmt: skip
        return pd.DataFrame(columns, copy=False)

    @cached_property
    def across(self) -> dict[tuple[int, int, bool], pd.DataFrame]:
        """Return for each of PAIRS link × way with a current loss at both wavelengths in one run.

        Columns: link, way, low, high (rows of working), run, difference (dB, high − low).
        """
        return {pair: self._pair_of(*pair) for pair in PAIRS}

    def _pair_of(self, low_nm: int, high_nm: int, multimode: bool) -> pd.DataFrame:
        low, high = self.lane_of(low_nm), self.lane_of(high_nm)
        links, ways = np.flatnonzero(self.multimode == multimode), self.current.shape[2]
        first = second = links[:0]
        if low is not None and high is not None:
            first, second = (self.current[links, lane, :].ravel() for lane in (low, high))
        there = np.flatnonzero((first >= 0) & (second >= 0))
        there = there[self.run[first[there]] == self.run[second[there]]]
        a, b = first[there], second[there]
        columns = {
            "link": links[there // ways], "way": there % ways, "low": a, "high": b,
            "run": self.run[a], "difference": self.loss[b] - self.loss[a],
        }  # fmt: skip
        return pd.DataFrame(columns, copy=False)

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

    @cached_property
    def track_nm(self) -> Ints:
        """Return the wavelength of each key in `track` as stored (1310 rather than 1300)."""
        out = np.zeros(self.tracks, dtype="int64")
        # the first of a run stands for it
        out[(self.run * len(self.lanes) + self.lane)[::-1]] = self.working[
            "wavelength_nm"
        ].to_numpy()[::-1]
        return out

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
        if not len(self.run):
            return low, high
        # stretches of one run are many readings long: few are left to be put together
        begin = np.flatnonzero(starts(self.run))
        np.fmin.at(low, self.run[begin], np.fmin.reduceat(self.utc, begin))
        np.fmax.at(high, self.run[begin], np.fmax.reduceat(self.utc, begin))
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
        cell = self.cell[rows]
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
