"""Layout `blocks`: each record a block of lines `key: value`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from parsers import lines
from parsers.profile import Profile
from parsers.profile_parts import Table
from parsers.raw import Fault, Raw, Rows
from parsers.text import Text


class _Record:
    """One row in the making: its cells, where each stands, and its first and last line."""

    def __init__(self, line: int, cells: dict[str, tuple[str, int, int]] | None = None) -> None:
        self.first, self.last = line, line
        self.cells = cells or {}


def read(profile: Profile, text: Text) -> Raw:
    """Gather blocks of key lines into rows; see `Raw`."""
    assert profile.blocks is not None, "the profile's layout is checked when it is loaded"
    raw = Raw(size=len(text.starts))
    kinds = lines.classify(profile, text, raw)
    sign = profile.blocks.separator
    begins = {table.begin: table for table in profile.table}
    done: dict[str, list[_Record]] = {table.begin or "": [] for table in profile.table}
    table: Table | None = None
    record: _Record | None = None
    for index in np.flatnonzero(kinds == lines.UNKNOWN).tolist():
        line = text.line(index)
        key, there, value = line.partition(sign)
        key = key.strip()
        place = len(line) - len(value.lstrip()) + 1
        if there and key in begins:
            table = begins[key]
            record = _Record(index + 1)
            done[key].append(record)
        if not there or table is None or record is None or key not in table.header:
            continue
        if key == table.again and key in record.cells:
            record = _next(record, index + 1, table)
            done[table.begin or ""].append(record)
        elif key in record.cells:
            raw.faults.append(
                Fault(index + 1, 1, "key-repeated", line, f"'{key}' once in a record")
            )
            kinds[index] = lines.TAKEN
            continue
        record.cells[key] = (value.strip(), index + 1, place)
        record.last = index + 1
        kinds[index] = lines.TAKEN
    for each in profile.table:
        if done[each.begin or ""]:
            raw.rows.append(_rows(each, done[each.begin or ""]))
    lines.rest(profile, text, kinds, raw, bool(raw.rows))
    return raw


def _next(record: _Record, line: int, table: Table) -> _Record:
    """Begin a further row: what stood before the first `again` key holds for it too.

    A measured value belongs to the row in which it stands and to no other.
    """
    kept = {}
    measured = {value.column for value in table.values}
    for key, cell in record.cells.items():
        if key == table.again:
            break
        if key not in measured:
            kept[key] = cell
    return _Record(line, kept)


def _rows(table: Table, records: list[_Record]) -> Rows:
    used = lines.used(table)
    cells, places, at = {}, {}, {}
    nothing = ("", 0, 0)
    for title in used:
        found = [record.cells.get(title, nothing) for record in records]
        cells[title] = pd.Series([text for text, _, _ in found], dtype="str")
        places[title] = np.array([place for _, _, place in found], np.int64)
        at[title] = np.array(
            [line or r.first for (_, line, _), r in zip(found, records, strict=True)], np.int64
        )
    first = np.array([record.first for record in records], np.int64)
    last = np.array([record.last for record in records], np.int64)
    return Rows(table, pd.DataFrame(cells), first, last, places, at)
