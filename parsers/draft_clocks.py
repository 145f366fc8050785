"""Which clock format a column of texts has, tried rather than guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from parsers import clocks

_DATES = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y",
          "%d/%m/%y", "%m/%d/%y", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d %b %Y", "%d-%b-%Y",
          "%b %d %Y", "%d. %b %Y", "%d-%m-%y", "%m-%d-%y")  # fmt: skip
_TIMES = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%Hh%M", "%H.%M", "%H.%M.%S", "%H%M%S",
          "%H%M")  # fmt: skip
_JOINS = (" ", "T", "_", ", ", "")


@dataclass(frozen=True)
class Form:
    """A clock format that reads every text; `ask` where the order of day and month is open."""

    format: str
    ask: bool = False


def date_form(texts: list[str]) -> Form | None:
    """Find the format of dates."""
    return _first(texts, list(_DATES))


def is_time(texts: list[str]) -> str:
    """Return the format of times of day, empty where the texts are none."""
    for layout in _TIMES:
        joined = [f"2000-01-01 {text}" for text in texts]
        if _reads(joined, f"%Y-%m-%d {layout}") and any(re.search(r"\D", t) for t in texts):
            return layout
    return ""


def form(texts: list[str]) -> Form | None:
    """Find the format of dates with times, or of dates alone."""
    layouts = [f"{date}{join}{time}" for date in _DATES for join in _JOINS for time in _TIMES]
    if all(re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d", text) for text in texts):
        return Form("iso") if _reads(texts, "iso") else None
    return _first(texts, layouts) or date_form(texts)


def _first(texts: list[str], layouts: list[str]) -> Form | None:
    if not texts or not all(re.search(r"\d", text) for text in texts):
        return None
    few = texts[:3]
    fits = [one for one in layouts if _reads(few, one) and _reads(texts, one)]
    if not fits:
        return None
    swapped = [one for one in fits if one != fits[0] and _swapped(one) == fits[0]]
    if swapped and not _equal(texts, fits[0], swapped[0]):
        return Form(fits[0], ask=True)
    return Form(fits[0])


def _swapped(layout: str) -> str:
    return layout.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def _reads(texts: list[str], layout: str) -> bool:
    return not clocks.read(pd.Series(texts, dtype="str"), layout).unreadable.any()


def _equal(texts: list[str], one: str, two: str) -> bool:
    cells = pd.Series(texts, dtype="str")
    return bool((clocks.read(cells, one).taken_at == clocks.read(cells, two).taken_at).all())
