"""Labels that name one site of the plan without doubt: exactly, or after normalising."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property

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
    def by_level(self) -> tuple[dict[str, tuple[int, ...]], ...]:
        """Return the sites by text, one mapping per level; made when the first label asks."""
        levels: list[dict[str, set[int]]] = [{} for _ in LEVELS]
        names = self.sites.names(pairs=self.pairs)
        for text, site in zip(*(column.tolist() for column in names), strict=True):
            parts = labels.tokens(text)
            for level, shape in enumerate((text.strip(), "-".join(parts), "".join(parts))):
                if shape:
                    levels[level].setdefault(shape, set()).add(site)
        return tuple({k: tuple(sorted(v)) for k, v in level.items()} for level in levels)

    def look_up(self, label: str) -> Match:
        """Find the sites of a label at the strictest level that knows it.

        A label typed without separators must also be unique without separators: `A11` is no
        proof of `A-11` where the plan has `A-1-1` too.
        """
        for level, (how, form) in enumerate(LEVELS):
            text = form(label)
            sites = self.by_level[level].get(text, ()) if text else ()
            if sites and level == 1 and not labels.has_separator(label):
                loose = self.by_level[2].get(labels.compact(label), ())
                sites = tuple(sorted({*sites, *loose}))
            if len(sites) == 1:
                return Match(sites[0], how)
            if sites:
                return Match(sites=sites)
        return Match()


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
