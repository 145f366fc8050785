"""Readings in the store: written once per dump, read back as the table STORED.

Values that hold for every reading of a dump are stored once, in `constant`, and are NULL in
`reading`; `dump.varying` names the columns that stand in the rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Any

import pandas as pd

from ingest import frames
from ingest.schema import READING_STATE
from rules import tables

_QUANTITY = {"power": "p", "attenuation": "a", "reference": "r", "length": "l"}
_DIRECTION = {"a-b": "ab", "b-a": "ba"}


def ids(sha256: str, readings: pd.DataFrame) -> list[str]:
    """Make reading ids: 16 digits of the dump's hash, line, column, wavelength, direction, quantity.

    A second value at the same place gets `.2`, and so on, in the order of the parser.
    """  # noqa: E501
    prefix = sha256[:16]
    out = [
        f"{prefix}.{line}.{column}.{nm}{_DIRECTION.get(direction, '')}{_QUANTITY.get(quantity, '')}"
        for line, column, nm, direction, quantity in zip(
            readings["line"].tolist(), readings["column"].tolist(),
            readings["wavelength_nm"].tolist(), readings["direction"].tolist(),
            readings["quantity"].tolist(), strict=True,
        )
    ]  # fmt: skip
    if len(set(out)) == len(out):
        return out
    nth = pd.Series(out).groupby(out, sort=False).cumcount().tolist()
    return [text if n == 0 else f"{text}.{n + 1}" for text, n in zip(out, nth, strict=True)]


def put(
    connection: sqlite3.Connection, dump: int, sha256: str, readings: pd.DataFrame
) -> tuple[int, int, str]:
    """Store EXTRACTED rows of a dump; give its first and last row number and varying columns."""
    count = len(readings)
    first = connection.execute("SELECT coalesce(max(row), 0) + 1 FROM reading").fetchone()[0]
    varying = {
        name: kind for name, kind in tables.EXTRACTED.items() if not _constant(readings[name])
    }
    once = {name: kind for name, kind in tables.EXTRACTED.items() if name not in varying}
    top = readings.head(1)
    frames.insert(connection, "constant", top, once, {"dump": [dump]})
    lead = {
        "row": range(first, first + count), "dump": [dump] * count,
        "reading_id": ids(sha256, readings),
    }  # fmt: skip
    frames.insert(connection, "reading", readings, varying, lead)
    return first, first + count - 1, " ".join(varying)


def _constant(column: pd.Series[Any]) -> bool:
    if len(column) < 2:
        return True
    top = column.iloc[0]
    return bool(column.isna().all() if pd.isna(top) else (column == top).all())


def load(connection: sqlite3.Connection) -> tuple[pd.DataFrame, pd.Series[Any]]:
    """Read all readings of dumps that are not set aside: (STORED, their row numbers)."""
    dumps = connection.execute(
        "SELECT id, sha256, name, arrived_at, parser, first_row, last_row, varying FROM dump "
        "WHERE state = 'taken' AND aside = 0 AND last_row >= first_row ORDER BY first_row"
    ).fetchall()
    names = list(tables.EXTRACTED)
    once = {
        row[0]: dict(zip(names, row[1:], strict=True))
        for row in connection.execute(f"SELECT dump, {', '.join(names)} FROM constant").fetchall()
    }
    pieces: dict[str, list[Any]] = {name: [] for name in ("row", *tables.STORED)}
    for group in _neighbours(dumps):
        _block(connection, group, once, pieces)
    frame = pd.DataFrame(
        {name: frames.joined(pieces[name], kind) for name, kind in tables.STORED.items()}
    )
    return frame, frames.joined(pieces["row"], "int")


def _neighbours(dumps: list[tuple[Any, ...]]) -> Iterable[list[tuple[Any, ...]]]:
    """Gather dumps whose rows adjoin and whose columns vary alike, to be read in one query."""
    group: list[tuple[Any, ...]] = []
    for dump in dumps:
        if group and (group[-1][6] + 1 != dump[5] or group[-1][7] != dump[7]):
            yield group
            group = []
        group.append(dump)
    if group:
        yield group


def _block(connection: sqlite3.Connection, group: list[tuple[Any, ...]],
           once: dict[int, dict[str, Any]], pieces: dict[str, list[Any]]) -> None:  # fmt: skip
    """Read the rows of neighbouring dumps and add an array per column to `pieces`."""
    varying = group[0][7].split()
    kinds = {"row": "int", "reading_id": "text"} | {
        name: tables.EXTRACTED[name] for name in varying
    }
    part = frames.select(
        connection,
        f"SELECT {', '.join(kinds)} FROM reading WHERE row BETWEEN ? AND ? ORDER BY row",
        (group[0][5], group[-1][6]),
        kinds,
    )
    for name in kinds:
        pieces[name].append(part[name].array)
    counts = [dump[6] - dump[5] + 1 for dump in group]
    for place, name in ((1, "dump_sha256"), (2, "dump_name"), (3, "arrived_at"), (4, "parser")):
        pieces[name].append(_spread([dump[place] for dump in group], counts, "text"))
    for name, kind in tables.EXTRACTED.items():
        if name not in kinds:
            pieces[name].append(_spread([once[dump[0]][name] for dump in group], counts, kind))


def _spread(values: list[Any], counts: list[int], kind: str) -> Any:
    """Repeat each dump's value for each of its rows."""
    absent: dict[str, Any] = {"text": "", "json": "", "int": 0, "flag": 0}
    full = [absent.get(kind) if value is None else value for value in values]
    return frames.joined([frames.from_values(full, kind)], kind).repeat(counts).array


def with_state(connection: sqlite3.Connection, stored: pd.DataFrame) -> pd.DataFrame:
    """Lay what the rules found over STORED rows, giving READINGS; both are in row order."""
    state = frames.select(
        connection,
        f"SELECT {', '.join(READING_STATE)} FROM derived_reading_state ORDER BY row",
        (),
        READING_STATE,
    ).drop(columns="row")
    return tables.conform(
        stored.assign(**{str(name): state[name] for name in state}), tables.READINGS
    )
