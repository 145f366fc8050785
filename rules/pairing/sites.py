"""The places a record may have been measured at: planned links, and planned pairs of fibres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from rules import columns, labels


@dataclass(frozen=True)
class Sites:
    """Links of a plan as pairing sees them, and the pairs of fibres they form.

    A site below `len(link_ids)` is a link; a site from there on is a pair, whose fibres are
    `fibres[site - len(link_ids)]` as {position: link}. A record of one fibre sits on a link, a
    record of two on a pair.
    """

    link_ids: Any
    """Name of each link, the column of the plan: as texts of their own they would take more memory
    than all the rest. So are `a_ends` and `b_ends`."""
    kinds: tuple[str, ...]
    fibre_types: tuple[str, ...]
    a_ends: Any
    """Label of each link at its end A."""
    b_ends: Any
    fibres: tuple[dict[int, int], ...]
    pair_of: np.ndarray
    """Pair site of each link, -1 where the plan names no pair."""
    pair_names: tuple[str, ...]

    @property
    def links(self) -> int:
        """Return the number of links."""
        return len(self.link_ids)

    def members(self, site: int) -> dict[int, int]:
        """Return the links of a site by fibre position; position 0 means the only fibre."""
        return {0: site} if site < self.links else self.fibres[site - self.links]

    def link_at(self, site: int, fibre_position: int) -> int:
        """Return the link of a record's fibre at a site, -1 where the plan names none."""
        if site < self.links:
            return site if fibre_position == 0 else -1
        return self.fibres[site - self.links].get(fibre_position, -1)

    def name(self, site: int) -> str:
        """Return the site's name for people: link ids joined by a plus sign."""
        return " + ".join(self.link_ids[link] for _, link in sorted(self.members(site).items()))

    def names(self, *, pairs: bool) -> tuple[pd.Series, np.ndarray]:
        """Return every label the plan knows and its site; for pairs the labels of both fibres."""
        ways = self.ways(pairs=pairs)
        known = [(sites >= 0) & (texts != "").to_numpy() for texts, sites in ways]
        both = list(zip(ways, known, strict=True))
        texts = pd.concat([texts.loc[rows] for (texts, _), rows in both], ignore_index=True)
        return texts, np.concatenate([sites[rows] for (_, sites), rows in both])

    def named(self, labels: pd.Series, *, pairs: bool) -> np.ndarray:
        """Return the site that each label, there once, names to the letter, −1 for none or several.

        A link id that is also the name of another place (an end, another pair) names nothing.
        """
        found = []
        joined = bool(labels.str.contains("/", regex=False).any())
        for texts, sites in self.ways(pairs=pairs, joined=joined):
            place = columns.positions(labels, texts)
            rows = np.flatnonzero((place >= 0) & (sites >= 0))
            found.append((place[rows], sites[rows]))
        place, site = (np.concatenate(column) for column in zip(*found, strict=True))
        out = np.full(len(labels), -1, dtype=np.int64)
        out[place] = site
        out[place[out[place] != site]] = -1
        out[(labels == "").to_numpy()] = -1
        return out

    def ways(self, *, pairs: bool, joined: bool = True) -> list[tuple[pd.Series, np.ndarray]]:
        """Return the labels that sites go by, and their sites, way by way of naming them.

        Texts may be empty and sites −1: that names nothing. joined: with those of both ends, which
        have a slash between them.
        """
        site = self.pair_of if pairs else np.arange(self.links)
        texts = [pd.Series(ends) for ends in (self.link_ids, self.a_ends, self.b_ends)]
        ways = [(one, site) for one in (*texts, *([self._both_ends] if joined else []))]
        if pairs:
            more = pd.Series(self.pair_names, dtype="str")
            ways.append((more, self.links + np.arange(len(self.fibres))))
        return ways

    @cached_property
    def _both_ends(self) -> pd.Series:
        a, b = pd.Series(self.a_ends), pd.Series(self.b_ends)
        return (a + "/" + b).where((a != "") & (b != ""), "")

    @cached_property
    def numbered_kinds(self) -> tuple[np.ndarray, list[str]]:
        """Return the kinds as a number per link, that of no text for -1, and their texts."""
        return _numbered(self.kinds)

    @cached_property
    def numbered_fibre_types(self) -> tuple[np.ndarray, list[str]]:
        """Return the fibre types as a number per link, that of no text for -1, and their texts."""
        return _numbered(self.fibre_types)

    @cached_property
    def number(self) -> dict[str, int]:
        """Return the link of each link id."""
        return {link_id: link for link, link_id in enumerate(self.link_ids.tolist())}


def _numbered(texts: Sequence[str]) -> tuple[np.ndarray, list[str]]:
    number, names = pd.factorize(np.array([*texts, ""], dtype=object))
    return number, [str(name) for name in names]


def _shared(column: pd.Series) -> tuple[str, ...]:
    """Return the texts of a column, each of them once in memory."""
    number, texts = columns.codes(column)
    return tuple(texts[number].tolist())


def of_plan(links: pd.DataFrame) -> Sites:
    """Read the sites of table LINKS; links of one pair share cable, place, panel and pair name."""
    groups: dict[tuple[str, ...], dict[int, int]] = {}
    together = ["cable", "building", "floor", "area", "route", "pair", "pair_position"]
    named = (links["pair"] != "") & links["pair_position"].isin(("1", "2"))
    rows = np.flatnonzero(named.to_numpy())
    at, panels, _ = labels.ports_of(links["a_end"].take(rows))
    lists = [links[name].take(rows).to_list() for name in together]
    for link, panel, *place, pair, position in zip(
        rows.tolist(), panels[at].tolist(), *lists, strict=True
    ):
        fibres = groups.setdefault((*place, panel, pair), {})
        # two fibres that claim one position of one pair make the whole pair unusable
        fibres[int(position)] = -1 if int(position) in fibres else link
    whole = {name: f for name, f in groups.items() if len(f) == 2 and min(f.values()) >= 0}
    pair_of = np.full(len(links), -1, dtype=np.int64)
    for number, fibres in enumerate(whole.values()):
        pair_of[list(fibres.values())] = len(links) + number
    return Sites(
        links["link_id"].array,
        _shared(links["kind"]),
        _shared(links["fibre_type"]),
        links["a_end"].array,
        links["b_end"].array,
        tuple(whole.values()),
        pair_of,
        tuple(name[-1] for name in whole),
    )
