"""Printed dates and times to the meter's own clock, without guessing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers.columns import distinct

WIDTHS = {"Y": 4, "y": 2, "m": 2, "d": 2, "H": 2, "M": 2, "S": 2}
"""Directives that print a fixed number of digits."""
DIRECTIVES = {*WIDTHS, "I", "p", "b", "B", "f", "z", "j"}
"""What a format may use of Python's strptime (Python documentation, datetime)."""
SERIALS = {"serial-1900": "1899-12-30", "serial-1904": "1904-01-01"}
"""Day 0 of the date systems of ECMA-376 part 1, 18.17.4.1. In the 1900 system day 60 is a
29 February that never was, so the epoch below holds from 1 March 1900 on."""


@dataclass(frozen=True)
class Clocks:
    """One clock column, all arrays of equal length."""

    taken_at: NDArray[np.datetime64]
    """datetime64[s], NaT where there is none."""
    offset_min: NDArray[np.float64]
    state: NDArray[np.int8]
    """Index into `STATES`."""
    unreadable: NDArray[np.bool_]
    resolution_s: int
    question: tuple[str, str] | None = None


STATES = ("none", "ok", "ambiguous")


def problem(layout: str, ask: bool) -> str:
    """Say what is wrong with a clock format; empty if nothing is."""
    if layout == "iso" or layout in SERIALS:
        return f"order has no meaning with format '{layout}'" if ask else ""
    used = re.findall(r"%(.)", layout)
    strange = [d for d in used if d not in DIRECTIVES]
    if strange:
        known = " ".join(f"%{d}" for d in sorted(DIRECTIVES))
        return f"format has %{strange[0]}; allowed: iso, {', '.join(SERIALS)} or {known}"
    if not used:
        return "format has no directive such as %Y"
    if not {"Y", "y"} & set(used) or not (({"m", "b", "B"} & set(used) and "d" in used)
                                           or "j" in used):  # fmt: skip
        return "format lacks the year, the month or the day"
    if ask and not {"m", "d"} <= set(used):
        return "order = 'ask' needs %d and %m in the format"
    return ""


def resolution(layout: str) -> int:
    """Return the smallest step in seconds that a clock of this format can show."""
    if layout == "iso" or layout in SERIALS or "%S" in layout:
        return 1
    if "%M" in layout:
        return 60
    return 3600 if "%H" in layout or "%I" in layout else 86400


def read(
    cells: pd.Series,
    layout: str,
    ask: bool = False,
    months: Sequence[str] = (),
    stamps: bool = False,
) -> Clocks:
    """Read a clock column in the one format that the profile names (`iso` for ISO 8601).

    `ask`: the order of day and month is taken from the dump only where a number above 12 settles
    it for the whole column; else no clock is read and `question` says what is undecided. `stamps`:
    cells may also hold ISO stamps, as date cells of a workbook do.
    """
    texts, codes = distinct(cells)
    if months:
        texts = _numbered(texts, months)
        layout = layout.replace("%b", "%m").replace("%B", "%m")
    if not ask:
        return _spread(_read(texts, layout, stamps), codes)
    other = _swapped(layout)
    one, two = _read(texts, layout, stamps), _read(texts, other, stamps)
    only_one = bool((two.unreadable & ~one.unreadable).any())
    only_two = bool((one.unreadable & ~two.unreadable).any())
    if only_one != only_two:
        return _spread(one if only_one else two, codes)
    if np.array_equal(one.taken_at, two.taken_at, equal_nan=True):
        return _spread(one, codes)
    return _undecided(one, two, layout, codes, only_one)


def _swapped(layout: str) -> str:
    return layout.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def _undecided(
    one: Clocks, two: Clocks, layout: str, codes: NDArray[np.intp], both: bool
) -> Clocks:
    first, second = ("day", "month") if layout.index("%d") < layout.index("%m") else (
        "month", "day")  # fmt: skip
    spans = []
    for found in (one, two):
        there = found.taken_at[~np.isnat(found.taken_at)]
        spans.append(f"{there.min()} to {there.max()}".replace("T", " "))
    why = "Some dates allow only one, some only the other" if both else "No number above 12 tells"
    sentence = (
        f"Is the {first} or the {second} printed first in the dates of this dump? {why}: "
        f"{first} first they run from {spans[0]}, {second} first from {spans[1]}. "
        "The readings are in without a clock until the profile says so by order = 'fixed'."
    )
    dated = ~np.isnat(one.taken_at) | ~np.isnat(two.taken_at)
    state = np.where(dated, STATES.index("ambiguous"), 0).astype(np.int8)
    nothing = np.full(len(one.taken_at), np.datetime64("NaT", "s"))
    question = ("clock-order-undecided", sentence)
    unreadable = one.unreadable & two.unreadable
    found = replace(one, taken_at=nothing, state=state, unreadable=unreadable, question=question)
    return _spread(found, codes)


def _spread(found: Clocks, codes: NDArray[np.intp]) -> Clocks:
    """Give each row what was read for its text."""
    return replace(
        found,
        taken_at=found.taken_at[codes],
        offset_min=found.offset_min[codes],
        state=found.state[codes],
        unreadable=found.unreadable[codes],
    )


def _read(texts: Sequence[str], layout: str, stamps: bool) -> Clocks:
    there = np.fromiter(map(bool, texts), np.bool_, len(texts))
    offset = np.full(len(there), np.nan)
    if layout in SERIALS:
        moments = _serial(texts, layout)
    else:
        moments = _fixed_width(texts, layout)
        rest = np.isnat(moments) & there
        if rest.any():
            few = pd.Series([t for t, wanted in zip(texts, rest, strict=True) if wanted],
                            dtype="str")  # fmt: skip
            moments[rest], offset[rest] = _strptime(few, layout)
    for stamp in ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d") if stamps else ():
        # what a date cell of a workbook is written as
        rest = np.isnat(moments) & there
        moments = np.where(rest, _fixed_width(texts, stamp), moments)
    gone = np.isnat(moments)
    return Clocks(moments, offset, (~gone).astype(np.int8), there & gone, resolution(layout))


def _fixed_width(texts: Sequence[str], layout: str) -> NDArray[np.datetime64]:
    """Read texts whose every part has its full width, all at once; NaT for every other."""
    nothing = np.full(len(texts), np.datetime64("NaT", "s"))
    parts = re.findall(r"%(.)|([^%])", "%Y-%m-%d %H:%M:%S" if layout == "iso" else layout)
    if any(directive and directive not in WIDTHS for directive, _ in parts):
        return nothing
    width = sum(WIDTHS[d] if d else 1 for d, _ in parts)
    joined = "".join(texts)
    if set(map(len, texts)) == {width} and joined.isascii():
        fits = np.ones(len(texts), np.bool_)
    else:
        fits = np.array([len(text) == width and text.isascii() for text in texts], np.bool_)
        joined = "".join(text for text, fit in zip(texts, fits, strict=True) if fit)
    if not fits.any():
        return nothing
    signs = np.frombuffer(joined.encode("ascii"), np.uint8).reshape(-1, width)
    good = np.ones(len(signs), np.bool_)
    numbers: dict[str, NDArray[np.int64]] = {}
    place = 0
    for directive, sign in parts:
        if not directive:
            wanted = signs[:, place] == ord(sign)
            good &= wanted | (signs[:, place] == ord("T")) if layout == "iso" else wanted
            place += 1
            continue
        digits = signs[:, place : place + WIDTHS[directive]].astype(np.int64) - 48
        good &= ((digits >= 0) & (digits <= 9)).all(axis=1)
        number = np.zeros(len(signs), np.int64)
        for digit in digits.T:
            number = number * 10 + digit
        numbers[directive] = number
        place += WIDTHS[directive]
    nothing[fits] = _moments(numbers, good)
    return nothing


def _moments(
    numbers: dict[str, NDArray[np.int64]], good: NDArray[np.bool_]
) -> NDArray[np.datetime64]:
    """Put years to seconds together; NaT where there is no such day or time."""
    zero = np.zeros(len(good), np.int64)
    year = numbers.get("Y")
    if year is None:
        # POSIX strptime: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068
        year = numbers["y"] + np.where(numbers["y"] >= 69, 1900, 2000)
    month, day = numbers["m"], numbers["d"]
    hour, minute, second = (numbers.get(name, zero) for name in "HMS")
    good = good & (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)
    good &= (hour < 24) & (minute < 60) & (second < 60)
    first = (np.where(good, (year - 1970) * 12 + month - 1, 0)).astype("datetime64[M]")
    good &= day <= ((first + 1).astype("datetime64[D]") - first.astype("datetime64[D]")).astype(int)
    seconds = (day - 1) * 86400 + hour * 3600 + minute * 60 + second
    moments = first.astype("datetime64[s]") + np.where(good, seconds, 0)
    return np.where(good, moments, np.datetime64("NaT", "s"))


def _strptime(texts: pd.Series, layout: str) -> tuple[NDArray[np.datetime64], NDArray[np.float64]]:
    offset = np.full(len(texts), np.nan)
    zoned = layout == "iso" or "%z" in layout
    wanted = "ISO8601" if layout == "iso" else layout
    parsed = pd.to_datetime(texts, format=wanted, errors="coerce", utc=zoned)
    if zoned:
        offset = _offsets(texts)
        shift = pd.to_timedelta(np.nan_to_num(offset), unit="min")
        parsed = parsed.dt.tz_localize(None) + shift
    return parsed.to_numpy().astype("datetime64[s]"), offset


_OFFSET = re.compile(r"(?:Z|([+-])(\d{2}):?(\d{2})?)$", re.ASCII)


def _offsets(texts: pd.Series) -> NDArray[np.float64]:
    """Return minutes east of UTC where a clock prints them, else NaN."""
    out = np.full(len(texts), np.nan)
    for place, text in enumerate(texts.tolist()):
        match = _OFFSET.search(text) if ":" in text else None
        if match:
            minutes = int(match[2] or 0) * 60 + int(match[3] or 0)
            out[place] = -minutes if match[1] == "-" else minutes
    return out


def _serial(texts: Sequence[str], layout: str) -> NDArray[np.datetime64]:
    """Read a workbook's day numbers, to the nearest second; NaT before 1 March 1900."""
    days = np.array([_day(text) for text in texts])
    lowest = 61 if layout == "serial-1900" else 0
    good = (days >= lowest) & (days < 2_958_466)
    seconds = np.round(np.where(good, days, 0) * 86400).astype(np.int64)
    moments = np.datetime64(SERIALS[layout], "s") + seconds
    return np.where(good, moments, np.datetime64("NaT", "s"))


def _day(text: str) -> float:
    if re.fullmatch(r"\d{1,7}(?:[.,]\d+)?", text, re.ASCII):
        return float(text.replace(",", "."))
    return float("nan")


def _numbered(texts: Sequence[str], months: Sequence[str]) -> list[str]:
    """Write the dump's names of the months as numbers, longest name first."""
    names = {name.lower(): f"{n:02d}" for n, name in enumerate(months, 1)}
    some = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    pattern = re.compile(some, re.IGNORECASE)
    return [pattern.sub(lambda m: names[m[0].lower()], text, count=1) for text in texts]
