"""What every pairing of a job stands on: its plan laid out, and all rates."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.columns import Ints, sorting
from rules.evaluation import Plan
from rules.pairing import digests, grid, match, physics, sites
from rules.pairing.grid import Grid
from rules.pairing.parameters import Parameters
from rules.pairing.sites import Sites
from rules.settings import Settings


@dataclass(frozen=True)
class Ground:
    """A plan, rates and settings; what is laid out of them is made at its first use and kept.

    Part after part of a job may be paired on the same ground.
    """

    plan: Plan
    parameters: Parameters
    settings: Settings

    @cached_property
    def digest(self) -> str:
        """Return what tells this ground from any other."""
        return digests.ground(self.plan, self.parameters, self.settings)

    @cached_property
    def place(self) -> Sites:
        """Return the places of the plan."""
        return sites.of_plan(self.plan.links)

    @cached_property
    def rank(self) -> Ints:
        """Return the place of each link among all, in the order of their names."""
        out = np.empty(len(self.plan.links), dtype=np.int64)
        out[sorting(self.plan.links["link_id"])] = np.arange(len(out))
        return out

    def grid(self, *, pairs: bool) -> Grid:
        """Return the places laid out as a crew walks, of links or of pairs of fibres."""
        return self._pairs[0] if pairs else self._links[0]

    def index(self, *, pairs: bool) -> match.Index:
        """Return the labels that the plan knows, of links or of pairs of fibres."""
        return self._pairs[1] if pairs else self._links[1]

    def expected(self, *, pairs: bool) -> physics.Expected:
        """Return what the plan lets one expect at each unit of the grid."""
        return self._pairs[2] if pairs else self._links[2]

    @cached_property
    def _links(self) -> tuple[Grid, match.Index, physics.Expected]:
        return self._laid(pairs=False)

    @cached_property
    def _pairs(self) -> tuple[Grid, match.Index, physics.Expected]:
        return self._laid(pairs=True)

    def _laid(self, *, pairs: bool) -> tuple[Grid, match.Index, physics.Expected]:
        layout = grid.of_sites(self.place, self.plan.links, pairs=pairs)
        expected = physics.expected(self.plan.links, layout)
        return layout, match.Index(self.place, pairs), expected
