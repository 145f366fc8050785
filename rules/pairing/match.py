"""Labels that name one site of the plan without doubt: exactly, or after normalising."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from rules import labels
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
    """Sites by each form of each label the plan knows; `pairs` for records of two fibres."""

    sites: Sites
    pairs: bool

    @cached_property
    def exact(self) -> dict[str, tuple[int, ...]]:
        """Return the sites by label as planned."""
        texts, sites = self.sites.names(pairs=self.pairs)
        return _by_text(pd.Series(texts, dtype="str").str.strip(), sites)

    @cached_property
    def _keys(self) -> tuple[pd.Series, np.ndarray]:
        texts, sites = self.sites.names(pairs=self.pairs)
        return labels.keys(pd.Series(texts, dtype="str")), sites

    @cached_property
    def normalised(self) -> dict[str, tuple[int, ...]]:
        """Return the sites by key."""
        return _by_text(*self._keys)

    @cached_property
    def compact(self) -> dict[str, tuple[int, ...]]:
        """Return the sites by text without separators."""
        keys, sites = self._keys
        return _by_text(keys.str.replace("-", "", regex=False), sites)

    def _sites(self, level: int, text: str) -> tuple[int, ...]:
        """Look a text up; a mapping is made when the first label gets that far."""
        if level == 0:
            return self.exact.get(text, ())
        return (self.normalised if level == 1 else self.compact).get(text, ())

    def look_up(self, label: str) -> Match:
        """Find the sites of a label at the strictest level that knows it.

        A label typed without separators must also be unique without separators: `A11` is no
        proof of `A-11` where the plan has `A-1-1` too.
        """
        for level, (how, form) in enumerate(LEVELS):
            sites = self._sites(level, form(label))
            if sites and level == 1 and not labels.has_separator(label):
                loose = self._sites(2, labels.compact(label))
                sites = tuple(sorted({*sites, *loose}))
            if len(sites) == 1:
                return Match(sites[0], how)
            if sites:
                return Match(sites=sites)
        return Match()


def _by_text(texts: pd.Series, sites: np.ndarray) -> dict[str, tuple[int, ...]]:
    """Gather the sites of each text, ascending, each once."""
    number, unique = pd.factorize(texts)
    order = np.lexsort((sites, number))
    number, sites = number[order], sites[order]
    new = np.r_[True, (number[1:] != number[:-1]) | (sites[1:] != sites[:-1])][: len(number)]
    number, sites = number[new], sites[new]
    names = np.asarray(unique, dtype=object).tolist()
    out: dict[str, tuple[int, ...]] = {
        names[n]: (site,) for n, site in zip(number.tolist(), sites.tolist(), strict=True)
    }
    several = number[1:][number[1:] == number[:-1]]
    for n in np.unique(several).tolist():
        out[names[n]] = tuple(sites[number == n].tolist())
    out.pop("", None)
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


def find(label: str, known: Index, aliases: Iterable[tuple[str, str]], settings: Settings) -> Match:
    """Match one label: as typed, by alias, as a retest, as a job label; in that order."""
    straight = known.look_up(label)
    if straight.site >= 0 or straight.sites:
        return straight
    other = renamed(label, aliases)
    if other:
        found = known.look_up(other)
        if found.site >= 0:
            return Match(found.site, "normalised", alias=other)
    if labels.is_job_label(label, settings.job_labels):
        return Match(job=True)
    first = labels.without_retest(label, settings.retest_suffixes)
    if first:
        found = known.look_up(first)
        if found.site >= 0:
            return Match(found.site, "normalised", retest=True)
    return Match()
