"""Readings in the store: written once per dump, read back as the table STORED.

Values that hold for every reading of a dump are stored once, in `constant`, and are NULL in
`reading`; `dump.varying` names the columns that stand in the rows. The rows are there to be looked
up; evaluations read the same values by column (`reading_columns`, Arrow), and `verify` compares
both with what the originals say.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import arrow, blocks, frames
from rules import regions, tables
from rules.columns import codes, few, texts

WHOLE: tables.Columns = {"reading_id": "text", **tables.EXTRACTED}
"""A reading with its id, as its dump says it."""


def ids(sha256: str, readings: pd.DataFrame) -> pd.Series[Any]:
    """Make reading ids: 16 digits of the dump's hash, line, column, wavelength, direction, quantity.

    A second value at the same place gets `.2`, and so on, in the order of the parser.
    """  # noqa: E501
    line, column, nm = (
        pc.cast(pa.array(readings[name].to_numpy()), pa.large_string())
        for name in ("line", "column", "wavelength_nm")
    )
    way, what = (_short(readings[name], words) for name, words in _SHORT)
    joined = pc.binary_join_element_wise
    last = joined(nm, way, what, _texts(""))
    made = joined(_texts(sha256[:16]), line, column, last, _texts("."))
    if pc.count_distinct(made).as_py() < len(made):
        out = pd.Series(pd.array(made, dtype="str"))
        nth = out.groupby(out, sort=False).cumcount()
        return pd.Series(out.where(nth == 0, out + "." + (nth + 1).astype("str")))
    return pd.Series(pd.array(made, dtype="str"))


_SHORT = (
    ("direction", {"a-b": "ab", "b-a": "ba"}),
    ("quantity", {"power": "p", "attenuation": "a", "reference": "r", "length": "l"}),
)


def _short(column: pd.Series[Any], words: Mapping[str, str]) -> Any:
    number, found = codes(column)
    short = texts([words.get(word, "") for word in found], number)
    return arrow.texts(short)


def _texts(text: str) -> Any:
    return pa.scalar(text, pa.large_string())


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
    named = ids(sha256, readings)
    lead = {
        "row": range(first, first + count),
        "dump": [dump] * count,
        "reading_id": named.tolist(),
    }
    frames.insert(connection, "reading", readings, varying, lead)
    whole = readings.assign(reading_id=named)
    keep_columns(connection, dump, tables.conform(whole, WHOLE))
    return first, first + count - 1, " ".join(varying)


def _constant(column: pd.Series[Any]) -> bool:
    if len(column) < 2:
        return True
    top = column.iloc[0]
    return bool(column.isna().all() if pd.isna(top) else (column == top).all())


def keep_columns(connection: sqlite3.Connection, dump: int, frame: pd.DataFrame) -> None:
    """Store a dump's readings once more, column by column: what every evaluation reads.

    Reading a million rows one by one takes SQLite and Python twenty times longer.
    """
    whole = arrow.table(frame)
    for part, at in enumerate(range(0, len(frame), _PART)):
        connection.execute(
            "INSERT INTO reading_columns VALUES (?, ?, ?)",
            (dump, part, arrow.pack(whole.slice(at, _PART))),
        )


_PART = 1_000_000
"""Rows in one value: SQLite's own limit for a value is a thousand million bytes."""


def from_rows(connection: sqlite3.Connection, dump: int, first: int, last: int) -> pd.DataFrame:
    """Read a dump's readings row by row: reading_id, then EXTRACTED."""
    listed = ", ".join(f"coalesce(r.{name}, c.{name})" for name in tables.EXTRACTED)
    sql = (
        f"SELECT r.reading_id, {listed} FROM reading r JOIN constant c ON c.dump = r.dump "
        "WHERE r.dump = ? AND r.row BETWEEN ? AND ? ORDER BY r.row"
    )
    return frames.select(connection, sql, (dump, first, last), WHOLE)


def load(
    connection: sqlite3.Connection, hashes: Collection[str] | None = None
) -> tuple[pd.DataFrame, pd.Series[Any]]:
    """Read all readings of dumps that are not set aside: (STORED, their row numbers).

    With `hashes` only those of some dumps. They come in the order in which the rules take them.
    """
    some = json.dumps(None if hashes is None else sorted(hashes))
    dumps = connection.execute(
        "SELECT id, sha256, name, arrived_at, parser, first_row, last_row - first_row + 1 "
        "FROM dump WHERE state = 'taken' AND aside = 0 AND last_row >= first_row AND "
        "(?1 = 'null' OR sha256 IN (SELECT value FROM json_each(?1))) ORDER BY sha256",
        (some,),
    ).fetchall()
    packed: dict[int, list[bytes | None]] = {}
    for dump, data in connection.execute(
        "SELECT dump, data FROM reading_columns WHERE dump IN (SELECT value FROM json_each(?)) "
        "ORDER BY dump, part",
        (json.dumps([row[0] for row in dumps]),),
    ).fetchall():
        packed.setdefault(dump, []).append(data)
    parts = [
        arrow.unpack(f"The readings of {name}", data)
        for id_, _, name, *_ in dumps
        for data in packed.get(id_, [None])
    ]
    if not parts:
        return tables.empty(tables.STORED), pd.Series(dtype="int64")
    whole = pa.concat_tables(parts, promote_options="default")
    del parts
    shared = {name: arrow.few(whole[name]) for name in tables.SHARED}
    frame = whole.drop_columns(list(shared)).to_pandas().assign(**shared)
    del whole
    ids, *about, first, counts = zip(*dumps, strict=True)
    which = np.repeat(np.arange(len(ids)), counts)
    for name, values in zip(
        ("dump_sha256", "dump_name", "arrived_at", "parser"), about, strict=True
    ):
        frame[name] = few(values, which)
    within = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
    rows = pd.Series(np.repeat(np.array(first, dtype="int64"), counts) + within)
    return tables.conform(frame, tables.STORED), rows


def carried(connection: sqlite3.Connection, hashes: Collection[str]) -> pd.DataFrame:
    """Read which meters and sources some dumps hold (`regions.CARRIED`), by their columns alone."""
    names = ("meter_serial", "source_serial")
    once, several = [], []
    for sha256, name, varying, *said in connection.execute(
        "SELECT d.sha256, d.name, d.varying, c.meter_serial, c.source_serial FROM dump d "
        "JOIN constant c ON c.dump = d.id WHERE d.sha256 IN (SELECT value FROM json_each(?))",
        (json.dumps(sorted(hashes)),),
    ):
        if not set(names).isdisjoint(varying.split()):
            several.append(sha256)
            continue
        once.append((sha256, name, *said))
    found = [pd.DataFrame(once, columns=list(regions.CARRIED))]
    for sha256, name, part in _columns(connection, several, names):
        distinct = part.group_by(list(names)).aggregate([]).to_pandas()
        found.append(distinct.assign(dump_sha256=sha256, dump_name=name))
    whole = tables.conform(pd.concat(found, ignore_index=True), regions.CARRIED)
    ordered = whole.drop_duplicates().sort_values(list(regions.CARRIED))
    return ordered.reset_index(drop=True)


_SAID, _EVERY = 1_000, 24
"""So many labels, spread over a dump, tell well enough which panels it is about, as long as no more
readings lie between two of them than a small panel has ports."""


def some_labels(connection: sqlite3.Connection, hashes: Collection[str]) -> pd.DataFrame:
    """Read the label of some readings of each dump, each once: dump_sha256, label."""
    found = [tables.empty({"dump_sha256": "text", "label": "text"})]
    for sha256, _, part in _columns(connection, hashes, ("label",)):
        some = np.arange(0, len(part), min(_EVERY, 1 + len(part) // _SAID))
        distinct = part["label"].take(some).unique().to_pandas()
        found.append(pd.DataFrame({"dump_sha256": sha256, "label": distinct}))
    return pd.concat(found, ignore_index=True)


def _columns(
    connection: sqlite3.Connection, hashes: Collection[str], names: Sequence[str]
) -> Iterator[tuple[str, str, Any]]:
    """Yield hash, name and some columns of dumps; a large dump in parts."""
    places = [list(WHOLE).index(name) for name in names]
    for sha256, name, data in connection.execute(
        "SELECT d.sha256, d.name, c.data FROM dump d JOIN reading_columns c ON c.dump = d.id "
        "WHERE d.sha256 IN (SELECT value FROM json_each(?)) ORDER BY d.sha256, c.part",
        (json.dumps(sorted(hashes)),),
    ):
        yield sha256, name, arrow.unpack(f"The readings of {name}", data, places)


def each(connection: sqlite3.Connection) -> Iterator[pd.DataFrame]:
    """Yield READINGS of dumps that are not set aside, some dumps at a time, by their hashes."""
    listed = connection.execute(
        "SELECT sha256, first_row, last_row FROM dump "
        "WHERE state = 'taken' AND aside = 0 AND last_row >= first_row ORDER BY sha256"
    ).fetchall()
    while listed:
        some: list[tuple[str, int, int]] = []
        rows = 0
        while listed and (not some or rows + listed[0][2] - listed[0][1] < _SOME):
            some.append(listed.pop(0))
            rows += some[-1][2] - some[-1][1] + 1
        stored, _ = load(connection, [sha256 for sha256, *_ in some])
        ordered = sorted((first, last) for _, first, last in some)
        yield _stated(stored, blocks.spans(connection, "reading_state", ordered))


_SOME = 50_000
"""Readings that are read together where all are wanted and few are kept."""


def with_state(
    connection: sqlite3.Connection, stored: pd.DataFrame, rows: pd.Series[Any]
) -> pd.DataFrame:
    """Lay what the rules found over STORED, whose row numbers are given, and return READINGS."""
    state = blocks.frame(connection, "reading_state")
    at = np.searchsorted(state["row"].to_numpy(), rows.to_numpy())
    return _stated(stored, state.take(at).reset_index(drop=True))


def _stated(stored: pd.DataFrame, state: pd.DataFrame) -> pd.DataFrame:
    found = {str(name): state[name] for name in state if name != "row"}
    return tables.conform(stored.assign(**found), tables.READINGS)
