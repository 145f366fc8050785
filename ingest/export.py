"""Public tables out, as canonical CSV, JSON or Parquet."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Literal

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import (
    arrow,
    blocks,
    collected,
    current,
    derive,
    durable,
    frames,
    planload,
    readings,
    store,
)
from ingest.errors import BadInput, plainly
from ingest.job import Job
from ingest.schema import BLOCKS
from rules import tables

Format = Literal["csv", "json", "parquet"]
FORMATS = ("csv", "json", "parquet")
_DANGEROUS = "^([=+@\t\r\n-])"
"""A spreadsheet takes a text cell that begins so for a formula (OWASP, CSV injection)."""
_PARTING = '[",\\r\\n]'
"""What a cell may hold between quotes only (RFC 4180, section 2)."""


def table(job: Job, name: str) -> pd.DataFrame:
    """Return a public table in canonical order and rounding; raise BadInput for a wrong name."""
    _offered(name)
    current.ensure(job)
    with store.reader(job.store) as connection:
        return _made(job, connection, name)


def _offered(name: str) -> None:
    if name not in (*tables.PUBLIC, *WORKED_OUT):
        there_are = ", ".join((*tables.PUBLIC, *WORKED_OUT))
        raise BadInput(f"No table '{name}'; there are: {there_are}.")


def _made(job: Job, connection: Any, name: str) -> pd.DataFrame:
    if name in WORKED_OUT:
        return WORKED_OUT[name](job, connection)
    return tables.canonical(read(connection, name), name)


def _applications(_job: Job, connection: Any) -> pd.DataFrame:
    """Work out which network applications each tested link supports (SUPPORT)."""
    from rules import applications

    links, grades = planload.newest(connection)[1], read(connection, "grades")
    return applications.supported(applications.results(links, grades))


def _job(job: Job, connection: Any) -> pd.DataFrame:
    """Say which job this is, and as of when (collected.JOB)."""
    revision, _ = planload.newest(connection)
    as_of = store.meta(connection, "as_of")
    return collected.job_table(derive.job_id(connection), job.settings, as_of, revision)


def _instruments(job: Job, _connection: Any) -> pd.DataFrame:
    """List the job's register of instruments (collected.INSTRUMENTS)."""
    return collected.instruments(job.settings)


WORKED_OUT = {"applications": _applications, "job": _job, "instruments": _instruments}
"""Tables that are worked out when asked for and not stored."""


def read(connection: Any, name: str) -> pd.DataFrame:
    """Read a public table from an open store, in no order."""
    columns = tables.PUBLIC[name]
    if name == "readings":
        return readings.with_state(connection, *readings.load(connection))
    listed = ", ".join(f'"{column}"' for column in columns)
    if name == "faults":
        sql = (
            'SELECT d.sha256, d.name, f.line, f."column", f.code, f.found, f.expected, f.remedy '
            "FROM fault f JOIN dump d ON d.id = f.dump WHERE d.aside = 0"
        )
    elif name == "pairs":
        pairs, (stored, rows) = blocks.frame(connection, name), readings.load(connection)
        by_row = pd.Series(stored["reading_id"].array, index=rows.to_numpy())
        ids = by_row.reindex(pairs["row"].to_numpy()).reset_index(drop=True)
        return tables.conform(pairs.assign(reading_id=ids), columns)
    elif name in BLOCKS:
        return blocks.frame(connection, name)
    else:
        sql = f"SELECT {listed} FROM derived_{name}"
    return frames.select(connection, sql, (), columns)


def render(frame: pd.DataFrame, format_: Format) -> bytes:
    """Turn a canonical table into bytes; absent numbers are empty (CSV) or null (JSON)."""
    return b"".join(parts(frame, format_))


def parts(frame: pd.DataFrame, format_: Format) -> Iterable[bytes]:
    """Turn a canonical table into the bytes of a file, one part after the other."""
    if format_ == "json":
        return [_json(frame)]
    if format_ == "parquet":
        return [collected.parquet(frame)]
    return _csv(frame)


_TEXT = {sign: pa.scalar(sign, pa.large_string()) for sign in ('"', ",", "\n", "")}


def _csv(frame: pd.DataFrame, *, head: bool = True) -> Iterator[bytes]:
    """Write RFC 4180, one line feed per row; cells are made by column, not row by row."""
    if head:
        yield (",".join(str(name) for name in frame) + "\n").encode()
    for at in range(0, len(frame), _BLOCK):
        block = frame.iloc[at : at + _BLOCK]
        cells = [_cells(block[name]) for name in block]
        cells[-1] = pc.binary_join_element_wise(cells[-1], _TEXT["\n"], _TEXT[""])
        rows = pc.binary_join_element_wise(*cells, _TEXT[","])
        # texts lie one after the other in memory: together they are the lines of the file
        yield rows.buffers()[2].to_pybytes()


_BLOCK = 50_000
"""Rows whose cells are texts at the same time."""


def _cells(column: pd.Series[Any]) -> Any:
    """Turn a column into texts as CSV has them, absent values empty."""
    if column.dtype == "str":
        text = arrow.texts(column)
        # neighbours are mostly equal, and telling so is much quicker than looking into each
        heads = pc.run_end_encode(text).values
        special = pc.any(pc.match_substring_regex(heads, f"{_DANGEROUS}|{_PARTING}"))
        return _quoted(_guard(text)) if special.as_py() else text
    if column.dtype == "float64" or column.dtype == "int64":
        return pc.fill_null(pc.cast(pa.array(column, from_pandas=True), pa.large_string()), "")
    return pa.array(column.astype("str").where(column.notna(), ""), pa.large_string())


def _json(frame: pd.DataFrame) -> bytes:
    columns = {name: frame[name].astype(object).where(frame[name].notna(), None) for name in frame}
    names = list(columns)
    rows = [
        json.dumps(dict(zip(names, values, strict=True)), ensure_ascii=False, allow_nan=False)
        for values in zip(*(column.tolist() for column in columns.values()), strict=True)
    ]
    return ("[\n" + ",\n".join(rows) + "\n]\n").encode() if rows else b"[]\n"


def _quoted(text: Any) -> Any:
    """Quote the cells that hold a separator, a quote or a line's end (RFC 4180, section 2)."""
    doubled = pc.replace_substring(text, pattern='"', replacement='""')
    quoted = pc.binary_join_element_wise(_TEXT['"'], doubled, _TEXT['"'], _TEXT[""])
    return pc.if_else(pc.match_substring_regex(text, _PARTING), quoted, text)


def _guard(text: Any) -> Any:
    """Put an apostrophe before text that a spreadsheet would run as a formula."""
    return pc.replace_substring_regex(text, pattern=_DANGEROUS, replacement="'\\1")


def write_all(job: Job, format_: Format, folder: Path) -> dict[str, int]:
    """Write every table into a folder, `completion` last; give the rows of each.

    As Parquet the folder is one that `portfolio` reads (`ingest.collected`).
    """
    _known(format_)
    current.ensure(job)
    names = sorted((*tables.PUBLIC, *WORKED_OUT), key=lambda name: (name == collected.LAST, name))
    rows = {}
    with plainly(f"Writing {folder}"), store.reader(job.store) as connection:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{collected.LAST}.{format_}").unlink(missing_ok=True)
        for name in names:
            rows[name] = _put(job, connection, name, format_, folder / f"{name}.{format_}")
    return rows


def write(job: Job, name: str, format_: Format, to: Path) -> int:
    """Write a table to a file and give its number of rows."""
    _known(format_)
    _offered(name)
    current.ensure(job)
    with plainly(f"Writing {to}"), store.reader(job.store) as connection:
        return _put(job, connection, name, format_, to)


def _put(job: Job, connection: Any, name: str, format_: Format, to: Path) -> int:
    if name == "readings" and format_ == "csv":
        # a million of them together would take more memory than all that went before
        counts: list[int] = []
        durable.write(to, _stream(readings.each(connection), counts))
        return sum(counts)
    frame = _made(job, connection, name)
    durable.write(to, parts(frame, format_))
    return len(frame)


def _stream(frames_: Iterable[pd.DataFrame], counts: list[int]) -> Iterator[bytes]:
    """Yield the lines of readings that come dump by dump, and note how many rows there were."""
    yield (",".join(tables.READINGS) + "\n").encode()
    for frame in frames_:
        counts.append(len(frame))
        yield from _csv(tables.canonical(frame, "readings"), head=False)


def _known(format_: str) -> None:
    if format_ not in FORMATS:
        raise BadInput(f"No format '{format_}'; there are: {', '.join(FORMATS)}.")
