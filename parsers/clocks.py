"""Printed dates and times to the meter's own clock, without guessing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers.columns import distinct

WIDTHS = {"Y": 4, "y": 2, "m": 2, "d": 2, "H": 2, "I": 2, "M": 2, "S": 2, "f": 6, "j": 3}
"""Directives that print digits, and how many at most."""
DIRECTIVES = {*WIDTHS, "p", "b", "B", "z"}
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
LONGEST = 60
"""Characters of a clock. Engineering default, no source."""


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
        moments = _stepwise(texts, layout)
        rest = np.isnat(moments) & there
        if rest.any():
            whole = _whole(layout)
            rest[rest] = [
                len(text) <= LONGEST and (whole is None or bool(whole.fullmatch(text)))
                for text, wanted in zip(texts, rest.tolist(), strict=True) if wanted
            ]  # fmt: skip
            few = pd.Series([texts[place] for place in np.flatnonzero(rest).tolist()], dtype="str")
            moments[rest], offset[rest] = _strptime(few, layout)
    for stamp in ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d") if stamps else ():
        # what a date cell of a workbook is written as
        rest = np.isnat(moments) & there
        moments = np.where(rest, _stepwise(texts, stamp), moments)
    gone = np.isnat(moments)
    return Clocks(moments, offset, (~gone).astype(np.int8), there & gone, resolution(layout))


def _stepwise(texts: Sequence[str], layout: str) -> NDArray[np.datetime64]:
    """Read all texts at once, part by part of the layout; NaT for every text that does not fit.

    A number takes as many digits as it finds, up to its width; numbers without a sign between them
    must have their full width.
    """
    parts = _parts("%Y-%m-%d %H:%M:%S" if layout == "iso" else layout)
    if not layout.isascii() or any(d and d not in "YymdHIMSp" for d, _, _ in parts):
        return np.full(len(texts), np.datetime64("NaT", "s"))
    # a zero byte ends each text, so that no step finds a digit of the next one
    joined = "\0".join([*texts, ""]).encode("ascii", "replace") + bytes(4 * len(parts))
    signs = np.frombuffer(joined, np.uint8)
    lengths = np.fromiter(map(len, texts), np.int64, len(texts))
    ends = np.cumsum(lengths + 1) - 1
    at = ends - lengths
    good = np.ones(len(texts), np.bool_)
    numbers: dict[str, NDArray[np.int64]] = {}
    for directive, sign, whole in parts:
        if directive == "p":
            half = signs[at] | 32
            good = good & ((half == ord("a")) | (half == ord("p"))) & (signs[at + 1] | 32 == 109)
            numbers["p"] = (half == ord("p")).astype(np.int64)
            at = at + 2
        elif directive:
            number = np.zeros(len(texts), np.int64)
            there = good
            for place in range(WIDTHS[directive]):
                digit = signs[at] - np.uint8(48)
                there = there & (digit <= 9)
                if place == 0 or whole or directive in "Yy":
                    good = there
                number = np.where(there, number * 10 + digit, number)
                at = at + there
            numbers[directive] = number
        else:
            found = signs[at]
            good = good & ((found == ord(sign)) | (layout == "iso" and sign == " ") & (found == 84))
            at = at + 1
    return _moments(numbers, good & (at == ends))


def _parts(layout: str) -> list[tuple[str, str, bool]]:
    """Part a layout into (directive, sign, whether it must have its full width)."""
    parts = re.findall(r"%(.)|([^%])", layout)
    digits = [directive in WIDTHS for directive, _ in parts]
    beside = [False, *digits[:-1]], [*digits[1:], False]
    return [
        (directive, sign, mine and (before or after))
        for (directive, sign), mine, before, after in zip(parts, digits, *beside, strict=True)
    ]


def _whole(layout: str) -> re.Pattern[str] | None:
    """Return what texts must look like where numbers stand side by side, None where none do.

    The standard library would read `2026111` as %Y%m%d in one of two ways.
    """
    parts = _parts(layout)
    if not any(whole for _, _, whole in parts):
        return None
    each = (
        rf"\d{{{WIDTHS[directive]}}}" if whole else ".+" if directive else re.escape(sign)
        for directive, sign, whole in parts
    )
    return re.compile("".join(each), re.ASCII | re.DOTALL)


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
    if "I" in numbers:
        good = good & (numbers["I"] >= 1) & (numbers["I"] <= 12)
        hour = numbers["I"] % 12 + 12 * numbers.get("p", zero)
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
