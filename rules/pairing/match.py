"""Labels that name one site of the plan without doubt: exactly, or after normalising."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from rules import columns, labels
from rules.pairing.sites import Sites
from rules.settings import Settings

LEVELS: tuple[tuple[str, Callable[[str], str]], ...] = (
    ("exact", str.strip),
    ("normalised", labels.key),
    ("normalised", labels.compact),
)
"""Forms of a label from strict to loose, with the word PAIRS shows for each."""


@dataclass(frozen=True)
class Match:
    """What a label names: `site` >= 0 with `how`; or several `sites`; or nothing."""

    site: int = -1
    how: str = ""
    sites: tuple[int, ...] = ()
    job: bool = False
    retest: bool = False
    alias: str = ""


@dataclass(frozen=True)
class Index:
    """Labels that the plan knows, in each form; `pairs` for records of two fibres.

    A plan has many more labels than are ever typed: texts are looked up together, by column.
    """

    sites: Sites
    pairs: bool

    @cached_property
    def _names(self) -> tuple[pd.Series, np.ndarray]:
        return self.sites.names(pairs=self.pairs)

    @cached_property
    def _exact(self) -> list[tuple[pd.Series, np.ndarray]]:
        """Return the labels as they are written, and their sites, way by way of naming them."""
        return [(texts.str.strip(), sites) for texts, sites in self.sites.ways(pairs=self.pairs)]

    @cached_property
    def _skeletons(self) -> tuple[pd.Series, np.ndarray]:
        return labels.skeletons(self._names[0])

    def _sites(self, level: int, texts: Iterable[str]) -> dict[str, tuple[int, ...]]:
        """Return the sites, ascending, of those texts that the plan knows in a form of LEVELS."""
        wanted = sorted(set(texts) - {""})
        if not wanted:
            return {}
        asked = pd.Series(wanted, dtype="str")
        if level == 0:
            number = np.concatenate([columns.positions(asked, texts) for texts, _ in self._exact])
            sites = np.concatenate([sites for _, sites in self._exact])
        else:
            texts, sites = self._names
            # keys are dear: they are made of what may be meant alone
            bare, foreign = self._skeletons
            alike = columns.positions(pd.Series(labels.skeletons(asked)[0].unique()), bare) >= 0
            rows = np.flatnonzero(alike | foreign)
            keys = labels.keys(texts.take(rows))
            keys = keys.str.replace("-", "", regex=False) if level == 2 else keys
            number = np.full(len(texts), -1)
            number[rows] = columns.positions(asked, keys)
        rows = np.flatnonzero((number >= 0) & (sites >= 0))
        number, sites = number[rows], sites[rows]
        out: dict[str, list[int]] = {}
        order = columns.sorted_rows(number, sites)
        for n, site in zip(number[order].tolist(), sites[order].tolist(), strict=True):
            found = out.setdefault(wanted[n], [])
            if not found or found[-1] != site:
                found.append(site)
        return {text: tuple(found) for text, found in out.items()}

    def look_up(self, texts: Iterable[str]) -> dict[str, Match]:
        """Find the sites of each text at the strictest level that knows it.

        A label typed without separators must also be unique without separators: `A11` is no
        proof of `A-11` where the plan has `A-1-1` too.
        """
        out: dict[str, Match] = {}
        left = set(texts)
        for level, (how, form) in enumerate(LEVELS):
            forms = {text: form(text) for text in left}
            found = self._sites(level, forms.values())
            hits = {text: found[form] for text, form in forms.items() if form in found}
            if level == 1:
                bare = {t: labels.compact(t) for t in hits if not labels.has_separator(t)}
                loose = self._sites(2, bare.values())
                for text, compact in bare.items():
                    hits[text] = tuple(sorted({*hits[text], *loose.get(compact, ())}))
            for text, sites in hits.items():
                one = len(sites) == 1
                out[text] = Match(sites[0], how) if one else Match(sites=sites)
            left -= out.keys()
        return out


def renamed(label: str, aliases: Iterable[tuple[str, str]]) -> str:
    """Return the label with the first alias that fits put in place, empty if none fits.

    An alias fits where its tokens stand together at the start of the label's tokens.
    """
    parts = labels.tokens(label)
    for typed, meant in aliases:
        old = labels.tokens(typed)
        if old and parts[: len(old)] == old:
            return "-".join((meant, *parts[len(old) :]))
    return ""


def find(
    texts: Sequence[str], known: Index, aliases: Iterable[tuple[str, str]], settings: Settings
) -> dict[str, Match]:
    """Match distinct labels: as typed, by alias, as a retest, as a job label; in that order."""
    out = known.look_up(texts)
    left = [text for text in texts if text not in out]
    others = {text: renamed(text, aliases) for text in left}
    found = known.look_up(filter(None, others.values()))
    for text, other in others.items():
        if other in found and found[other].site >= 0:
            out[text] = Match(found[other].site, "normalised", alias=other)
        elif labels.is_job_label(text, settings.job_labels):
            out[text] = Match(job=True)
    left = [text for text in left if text not in out]
    firsts = {text: labels.without_retest(text, settings.retest_suffixes) for text in left}
    found = known.look_up(filter(None, firsts.values()))
    for text, first in firsts.items():
        site = found[first].site if first in found else -1
        out[text] = Match(site, "normalised", retest=True) if site >= 0 else Match()
    return out
