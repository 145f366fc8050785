"""Layout `fixed`: fields at fixed character positions, page heads between, as printers write."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import lines, patterns
from parsers.profile import Profile
from parsers.profile_parts import Table
from parsers.raw import Fault, Mark, Raw, Rows
from parsers.text import Text


def read(profile: Profile, text: Text) -> Raw:
    """Cut the lines that look like a table's row at its columns' positions; see `Raw`."""
    raw = Raw(size=len(text.starts))
    kinds = lines.classify(profile, text, raw)
    titled = [table for table in profile.table if table.titles]
    active = np.zeros(len(text.starts), np.int64)
    for table in titled:
        for offset, _ in patterns.found([table.titles or ""], text.body):
            index = int(np.searchsorted(text.starts, offset))
            if kinds[index] == lines.UNKNOWN:
                kinds[index] = lines.TAKEN
                active[index] = profile.table.index(table) + 1
                raw.marks.append(Mark(index + 1, index + 1, "context", "column titles"))
    # a line of titles holds until the next one
    last = np.maximum.accumulate(np.where(active > 0, np.arange(len(active)), -1))
    active = np.where(last >= 0, active[np.maximum(last, 0)], 0)
    for number, table in enumerate(profile.table, 1):
        mine = kinds == lines.UNKNOWN
        mine &= (active == number) | ((active == 0) & (not table.titles or not table.titled))
        chosen = _looking_like(table, text, mine)
        if len(chosen):
            kinds[chosen] = lines.TAKEN
            _cut(text, chosen, table, raw)
    lines.rest(profile, text, kinds, raw, True)
    return raw


def _looking_like(table: Table, text: Text, mine: NDArray[np.bool_]) -> NDArray[np.int64]:
    """List the lines of `mine` that match the table's row pattern."""
    left = np.flatnonzero(mine)
    return left[patterns.matching(table.row or "", text.raw(left))]


def _cut(text: Text, chosen: NDArray[np.int64], table: Table, raw: Raw) -> None:
    """Cut rows at the columns; a row with text between columns is a fault, for it has shifted."""
    every = text.lines()
    whole = pd.Series([every[index] for index in chosen.tolist()], dtype="str")
    stray = np.zeros(len(chosen), np.bool_)
    for start, stop in _gaps(table):
        stray |= (whole.str.slice(start, stop).str.strip() != "").to_numpy()
    for index, line in zip(chosen[stray].tolist(), whole[stray].tolist(), strict=True):
        raw.faults.append(
            Fault(index + 1, 1, "text-outside-columns", line,
                  "blank space between the columns " + _spans(table))
        )  # fmt: skip
    whole, kept = whole[~stray].reset_index(drop=True), chosen[~stray]
    used = lines.used(table)
    cells = {
        title: whole.str.slice(table.columns[title][0] - 1, table.columns[title][1]).str.strip()
        for title in used
    }
    places = {title: table.columns[title][0] for title in used}
    raw.rows.append(Rows(table, pd.DataFrame(cells), kept + 1, kept + 1, places))


def _spans(table: Table) -> str:
    return ", ".join(f"{title} {first}-{last}" for title, (first, last) in table.columns.items())


def _gaps(table: Table) -> list[tuple[int, int | None]]:
    """List the character spans, from 0, that lie in no column."""
    gaps: list[tuple[int, int | None]] = []
    place = 0
    for first, last in sorted((a, b) for a, b in table.columns.values()):
        if first - 1 > place:
            gaps.append((place, first - 1))
        place = max(place, last)
    return [*gaps, (place, None)]
