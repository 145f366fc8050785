"""Which clock format a column of texts has, tried rather than guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from parsers import clocks

_DATES = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y",
          "%d/%m/%y", "%m/%d/%y", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d %b %Y", "%d-%b-%Y",
          "%b %d %Y", "%d. %b %Y", "%d-%m-%y", "%m-%d-%y")  # fmt: skip
_TIMES = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%Hh%M", "%H.%M", "%H.%M.%S", "%H%M%S",
          "%H%M")  # fmt: skip
_SHAPES = {"%Y": r"\d{4}", "%b": r"[^\W\d_]{3,5}\.?", "%p": r"[ap]m", "%z": r"[+-]\d\d:?\d\d|Z"}
_SHAPES |= dict.fromkeys(("%y", "%m", "%d", "%H", "%M", "%S", "%I"), r"\d{1,2}")
_JOINS = (" ", "T", ", ", "  ")
_WHOLE = ("%Y%m%d%H%M%S", "%Y%m%d%H%M", "%Y%m%d%H%M%S%z")
_STAMP = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?)?([+-]\d\d:?\d\d|Z)?")


MONTHS = (
    ("Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez"),
    ("janv", "févr", "mars", "avr", "mai", "juin", "juil", "août", "sept", "oct", "nov", "déc"),
    ("ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"),
)
"""Short names of the months in German, French and Spanish (Unicode CLDR, without full stops)."""


@dataclass(frozen=True)
class Form:
    """A clock format that reads every text; `ask` where the order of day and month is open."""

    format: str
    ask: bool = False
    months: tuple[str, ...] = ()


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
    """Find the format of dates with times, or of dates alone.

    Texts that read as ISO 8601 beside others, as date cells of a workbook do, do not count.
    """
    if all(_STAMP.fullmatch(text) for text in texts):
        return Form("iso") if texts and _reads(texts, "iso") else None
    texts = [text for text in texts if not _STAMP.fullmatch(text)]
    layouts = [f"{date}{join}{time}" for date in _DATES for join in _JOINS for time in _TIMES]
    found = _first(texts, [*_WHOLE, *layouts]) or date_form(texts)
    if found or not any(re.search(r"[^\W\d_]{3}", text) for text in texts):
        return found
    named = [layout for layout in [*layouts, *_DATES] if "%b" in layout]
    for months in MONTHS:
        good = [one for one in named if not _bad(texts, one, months)]
        if good:
            return Form(good[0], months=months)
    return None


def _first(texts: list[str], layouts: list[str]) -> Form | None:
    """Take the format that reads most texts, if it reads nearly all of them."""
    some = [text for text in texts if re.search(r"\d", text)][:20]
    if not some:
        return None
    fits = [one for one in layouts if _bad(some, one) * 4 < len(some)]
    counted = sorted((_bad(texts, one), place) for place, one in enumerate(fits))
    if not counted or counted[0][0] > max(1, len(texts) // 10):
        return None
    bad, place = counted[0]
    best = fits[place]
    other = _swapped(best)
    if other != best and _bad(texts, other) == bad and not _equal(texts, best, other):
        return Form(best, ask=True)
    return Form(best)


def _swapped(layout: str) -> str:
    return layout.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def _reads(texts: list[str], layout: str) -> bool:
    return not _bad(texts, layout)


def _bad(texts: list[str], layout: str, months: tuple[str, ...] = ()) -> int:
    """Count the texts that a format does not read."""
    shape = _shape(layout)
    fits = [text for text in texts if text and shape.fullmatch(text)]
    filled = sum(map(bool, texts))
    if len(fits) * 2 < filled:
        return filled
    cells = pd.Series(fits, dtype="str")
    return filled - len(fits) + int(clocks.read(cells, layout, months=months).unreadable.sum())


@cache
def _shape(layout: str) -> re.Pattern[str]:
    """Return a rough expression for a format, to spare the trial of hopeless ones."""
    if layout == "iso":
        return re.compile(r"\d{4}.*")
    parts = re.split(r"(%.)", layout)
    return re.compile("".join(_SHAPES.get(part, re.escape(part)) for part in parts), re.IGNORECASE)


def _equal(texts: list[str], one: str, two: str) -> bool:
    cells = pd.Series(texts, dtype="str")
    first, second = clocks.read(cells, one).taken_at, clocks.read(cells, two).taken_at
    return bool(np.array_equal(first, second, equal_nan=True))
