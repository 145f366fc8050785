"""Printed numbers to floats: decimal marks, thousands marks, signs, units of level and loss."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers.columns import distinct
from parsers.profile_parts import Numbers

MILLIWATTS = {"W": 1e3, "mW": 1.0, "uW": 1e-3, "nW": 1e-6, "pW": 1e-9}
"""Milliwatts in one unit (SI prefixes, SI Brochure 9th edition, table 7)."""
STATES = ("ok", "not-measured", "over-range", "under-range", "no-light", "unreadable")
"""States in rising order of what they say about a reading; a reading takes the highest one."""
BLANK = -1
UNREADABLE = STATES.index("unreadable")
_UNITS = {"dbm": "dBm", "db": "dB", "w": "W"}
_EXACT = {"mW": "mW", "uW": "uW", "µW": "uW", "μW": "uW", "nW": "nW", "pW": "pW"}
_UNIT = re.compile(r"^(.*?)\s*([A-Za-zµμ]+)$", re.DOTALL)


@dataclass(frozen=True)
class Measured:
    """One value column: numbers in dB or dBm, and what else each cell says; all of equal length."""

    number: NDArray[np.float64]
    state: NDArray[np.int8]
    """Index into `STATES`, or `BLANK`."""
    level: NDArray[np.bool_]
    """True where the unit is a level (dBm), False where it is a ratio (dB)."""
    wrong_unit: NDArray[np.bool_]


def grammar(numbers: Numbers) -> re.Pattern[str]:
    """Build the expression that a printed number must match whole.

    Thousands marks are taken only in groups of three, so that a misplaced mark is a fault.
    """
    mark = re.escape(numbers.decimal_mark)
    whole = r"\d+"
    if numbers.thousands_mark:
        group = re.escape(numbers.thousands_mark)
        whole = rf"(?:\d{{1,3}}(?:{group}\d{{3}})+|\d+)"
    return re.compile(
        rf"[+\-\u2212]?(?:{whole}(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d{{1,2}})?", re.ASCII
    )


def number(text: str, numbers: Numbers, pattern: re.Pattern[str]) -> float:
    """Return the number that `text` prints, NaN where it prints none."""
    if not pattern.fullmatch(text):
        return math.nan
    if numbers.thousands_mark:
        text = text.replace(numbers.thousands_mark, "")
    return float(text.replace(numbers.decimal_mark, ".").replace("\u2212", "-"))


def unit_of(text: str) -> str:
    """Return the unit that `text` spells (`uW` for every micro sign), empty if it spells none."""
    return _EXACT.get(text) or _UNITS.get(text.lower(), "")


def split_unit(text: str) -> tuple[str, str]:
    """Part a printed value into its number and its unit as printed."""
    match = _UNIT.match(text)
    return (match[1], match[2]) if match else (text, "")


def measure(
    cells: pd.Series,
    numbers: Numbers,
    unit: str,
    words: Mapping[str, str],
    negated: bool = False,
    unit_cells: pd.Series | None = None,
) -> Measured:
    """Read one value column.

    `unit` is a unit, or `in-cell` where each cell prints its own; `unit_cells` (units already
    translated) outweighs it. `words` maps words to states. A linear power of zero or less has no
    level: it is `under-range`.
    """
    keys = cells if unit_cells is None else cells + "\x1f" + unit_cells
    uniques, codes = distinct(keys)
    pattern = grammar(numbers)
    read = [_one(text, numbers, pattern, unit, words, negated) for text in uniques]
    table = list(zip(*read, strict=True)) if read else [(), (), (), ()]
    return Measured(
        np.array(table[0], np.float64)[codes],
        np.array(table[1], np.int8)[codes],
        np.array(table[2], np.bool_)[codes],
        np.array(table[3], np.bool_)[codes],
    )


def _one(
    text: str,
    numbers: Numbers,
    pattern: re.Pattern[str],
    unit: str,
    words: Mapping[str, str],
    negated: bool,
) -> tuple[float, int, bool, bool]:
    text, _, given = text.partition("\x1f")
    unit = given or unit
    level = unit != "dB"
    if text == "":
        return math.nan, BLANK, level, False
    if text in words:
        return math.nan, STATES.index(words[text]), level, False
    value = number(text, numbers, pattern)
    if math.isnan(value):
        bare, printed = split_unit(text)
        own = unit_of(printed)
        value = number(bare, numbers, pattern)
        if math.isnan(value) or not own or (unit not in ("in-cell", own)):
            strange = not math.isnan(value) and (bool(own) or len(printed) > 1)
            return math.nan, UNREADABLE, level, strange
        unit = own
    elif unit not in MILLIWATTS and unit not in ("dB", "dBm"):
        return math.nan, UNREADABLE, level, True
    level = unit != "dB"
    if unit in MILLIWATTS:
        if value <= 0:
            return math.nan, STATES.index("under-range"), True, False
        value = 10 * math.log10(value * MILLIWATTS[unit])
    if not math.isfinite(value):
        return math.nan, UNREADABLE, level, False
    return (-value if negated else value) + 0.0, 0, level, False


def whole(text: str) -> bool:
    """Tell whether a text is a whole number without sign, of fewer than 16 digits."""
    return text.isascii() and text.isdigit() and len(text) < 16


def integers(cells: pd.Series) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Read whole numbers without sign; return them and where a filled cell holds none."""
    texts: Sequence[str] = cells.tolist()
    joined = "".join(texts)
    if joined.isascii() and joined.isdigit() and "" not in texts and max(map(len, texts)) < 16:
        return np.fromiter(map(int, texts), np.int64, len(texts)), np.zeros(len(texts), np.bool_)
    out = np.full(len(texts), -1, np.int64)
    bad = np.zeros(len(texts), np.bool_)
    for place, text in enumerate(texts):
        if whole(text):
            out[place] = int(text)
        elif text:
            bad[place] = True
    return out, bad
