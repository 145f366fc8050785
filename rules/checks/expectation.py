"""What links should lose by length and make, and how far readings lie from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from rules import ends, fibres, robust
from rules.checks.basis import Basis
from rules.checks.thresholds import THRESHOLDS
from rules.columns import Flags, Floats, Ints, codes

LEAST_SPREAD_DB = 0.02
"""Readings never lie closer than a mating repeats. Common practice, no source."""
ENDS_LEFT_OUT = {2: 1, 3: 2}
"""Link ends that the reference method takes out of the measurement: IEC 61280-4-1."""


@dataclass(frozen=True)
class Expectation(Basis):
    """One evaluation, with the links, cables and levels that its readings are compared with."""

    @cached_property
    def link_ids(self) -> Any:
        """Return the names of the links as an array of texts."""
        return self.plan.links["link_id"].to_numpy(dtype=object)

    @cached_property
    def multimode(self) -> Flags:
        """Tell which links are multimode; one value per link."""
        return fibres.is_multimode(self.plan.links["fibre_type"]).to_numpy()

    @cached_property
    def _cables(self) -> tuple[Ints, Any]:
        return codes(ends.cable(self.plan.links), sort=True)

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
    def fibre(self) -> Floats:
        """Return the typical fibre loss in dB of each reading's link at its wavelength."""
        out = np.full(len(self.link), np.nan)
        if len(self.plan.links):
            out = self.typical.ravel()[self.link * len(self.lanes) + self.lane]
            out[self.link < 0] = np.nan
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
            out = self.fibre + fixed[self.link]
            fewer = np.array([ENDS_LEFT_OUT.get(m, 0) for m in range(4)])[
                np.clip(self.method, 0, 3)
            ]
            out -= fewer * self.threshold("typical_connection_db")
        return out

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
        return self.loss - np.nan_to_num(self.fibre, nan=0.0)

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
