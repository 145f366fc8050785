"""Sites laid out as a crew walks along them: panels in plan order, ports counted up."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd

from rules import columns, labels
from rules.pairing.sites import Sites

FORMS = ("link", "a-end", "b-end")
"""Full labels of a site; a tail is the last two tokens of one of them."""


@dataclass(frozen=True)
class Grid:
    """Sites of one class (links, or pairs of fibres) by panel and port.

    site, panel, place: arrays over units; a unit is a site in walking order, `place` its port
    counted from 0 within the panel. starts: first unit of each panel, and the number of units.
    port: the number printed on the port, -1 where it has none.
    """

    sites: Sites
    site: np.ndarray
    panel: np.ndarray
    place: np.ndarray
    starts: np.ndarray
    port: np.ndarray
    link: np.ndarray
    """The first link of each unit, for physics and labels."""
    panel_names: tuple[str, ...]

    @property
    def units(self) -> int:
        """Return the number of units."""
        return len(self.site)

    @cached_property
    def sizes(self) -> np.ndarray:
        """Return the number of ports of each panel."""
        return np.diff(self.starts)

    def texts(self, unit: int) -> tuple[str, str, str]:
        """Return the full labels of a unit in the order of FORMS, empty where it has none."""
        link = int(self.link[unit])
        s = self.sites
        return s.link_ids[link], s.a_ends[link], s.b_ends[link]

    def solid(self, unit: int) -> tuple[str, ...]:
        """Return a unit's labels without separators, for edit distances; the tail last."""
        if unit not in self._solid:
            full = self.texts(unit)
            texts = (*full, labels.tail(full[0], 3))
            self._solid[unit] = tuple(labels.solid(text) for text in texts)
        return self._solid[unit]

    @cached_property
    def _solid(self) -> dict[int, tuple[str, ...]]:
        return {}

    @cached_property
    def by_prefix(self) -> dict[str, tuple[int, ...]]:
        """Return panels by the normalised text before the port number, over all forms."""
        found: dict[str, set[int]] = {}
        first = self.starts[:-1].tolist()
        for panel, unit in enumerate(first):
            for text in self.texts(unit):
                head = labels.key(text).rpartition("-")[0]
                if head:
                    found.setdefault(head, set()).add(panel)
        return {head: tuple(sorted(panels)) for head, panels in found.items()}

    @cached_property
    def unit_of(self) -> np.ndarray:
        """Return the unit of each site, -1 for sites of the other class and for site -1."""
        out = np.full(self.sites.links + len(self.sites.fibres) + 1, -1, dtype=np.int64)
        out[self.site] = np.arange(self.units)
        return out

    @cached_property
    def by_ending(self) -> dict[str, tuple[int, ...]]:
        """Return panels by every ending of the text before their port numbers."""
        found: dict[str, set[int]] = {}
        for head, panels in self.by_prefix.items():
            parts = head.split("-")
            for cut in range(len(parts)):
                found.setdefault("-".join(parts[cut:]), set()).update(panels)
        return {head: tuple(sorted(panels)) for head, panels in found.items()}

    def unit_at(self, panel: int, port: int) -> int:
        """Return the unit of a panel whose port has a number, -1 where none or no panel has."""
        if not 0 <= panel < len(self.sizes):
            return -1
        if panel not in self._ports:
            low, high = int(self.starts[panel]), int(self.starts[panel + 1])
            ports = zip(self.port[low:high].tolist(), range(low, high), strict=True)
            self._ports[panel] = dict(reversed(list(ports)))
        return self._ports[panel].get(port, -1)

    @cached_property
    def _ports(self) -> dict[int, dict[int, int]]:
        return {}

    def neighbour(self, panel: int, step: int) -> int:
        """Return the panel `step` places on in plan order, -1 past either end."""
        other = panel + step
        return other if 0 <= other < len(self.sizes) else -1


def of_sites(sites: Sites, links: pd.DataFrame, *, pairs: bool) -> Grid:
    """Lay out links, or pairs of fibres by their first fibre, in walking order."""
    if pairs:
        site = np.arange(sites.links, sites.links + len(sites.fibres))
        link = np.array([fibres[1] for fibres in sites.fibres], dtype=np.int64)
    else:
        site = link = np.arange(sites.links)
    ends = links["a_end"].where(links["a_end"] != "", links["link_id"])
    number, panels, ports = labels.ports_of(ends.take(link))
    same, unique = pd.factorize(panels)
    name = same[number]
    where = [columns.numbers(links[part])[link] for part in ("building", "floor", "area")]
    home, _ = pd.factorize(columns.compound(*where, name.astype(np.int64)))
    position = links["position"].to_numpy(dtype=np.int64)[link]
    first = np.full(int(home.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, home, position)
    port, found = columns.codes(ports)
    texts = [str(text) for text in found]
    natural = sorted(range(len(texts)), key=lambda n: labels.natural(texts[n]))
    rank = np.empty(len(texts), dtype=np.int64)
    keys = [labels.natural(texts[n]) for n in natural]
    rank[natural] = np.cumsum([0, *(a != b for a, b in pairwise(keys))]) if keys else 0
    order = np.lexsort((rank[port], home, first[home]))
    if not columns.starts(columns.compound(home, rank[port])[order]).all():
        # the names of the links decide between ports of one number
        by_id = columns.numbers(pd.Series(sites.link_ids.take(link)), sort=True)
        order = np.lexsort((by_id, rank[port], home, first[home]))
    codes, _ = pd.factorize(home[order])
    panel = codes.astype(np.int64)
    head = np.flatnonzero(np.diff(panel, prepend=-1))
    starts = np.r_[head, len(panel)]
    last = [labels.tokens(text)[-1:] for text in texts]
    number = np.array([int(p[0]) if p and p[0].isdecimal() else -1 for p in last], dtype=np.int64)
    return Grid(
        sites,
        np.asarray(site, dtype=np.int64)[order],
        panel,
        np.arange(len(order)) - starts[panel],
        starts,
        number[port[order]],
        np.asarray(link, dtype=np.int64)[order],
        tuple(str(text) for text in unique[name[order[head]]]),
    )
