"""Printed dates and times to the meter's own clock, without guessing."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

DIRECTIVES = "YymdHIMSpbBfzj%"
"""What a format may use of Python's strptime (Python documentation, datetime)."""


@dataclass(frozen=True)
class Clocks:
    """One clock column, all of equal length."""

    taken_at: NDArray[np.datetime64]
    """datetime64[s], NaT where there is none."""
    offset_min: NDArray[np.float64]
    state: NDArray[np.object_]
    """`ok` or `none`."""
    unreadable: NDArray[np.bool_]
    resolution_s: int


def resolution(layout: str) -> int:
    """Return the smallest step in seconds that a clock of this format can show."""
    if layout == "iso" or "%S" in layout:
        return 1
    if "%M" in layout:
        return 60
    return 3600 if "%H" in layout or "%I" in layout else 86400


def read(cells: pd.Series, layout: str, absent: Collection[str]) -> Clocks:
    """Read a clock column in the one format that the profile names (`iso` for ISO 8601)."""
    codes, uniques = pd.factorize(cells)
    texts = pd.Series(uniques, dtype="str")
    there = (texts != "") & ~texts.isin(list(absent))
    wanted = texts.where(there)
    zoned = layout == "iso" or "%z" in layout
    parsed = pd.to_datetime(
        wanted, format="ISO8601" if layout == "iso" else layout, errors="coerce", utc=zoned
    )
    offset = np.full(len(texts), np.nan)
    if zoned:
        offset = _offsets(texts)
        shift = pd.to_timedelta(np.nan_to_num(offset), unit="min")
        parsed = parsed.dt.tz_localize(None) + shift
    moments = parsed.to_numpy().astype("datetime64[s]")
    unreadable = there.to_numpy() & np.isnat(moments)
    state = np.where(np.isnat(moments), "none", "ok").astype(object)
    return Clocks(moments[codes], offset[codes], state[codes], unreadable[codes],
                  resolution(layout))  # fmt: skip


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
