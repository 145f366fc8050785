"""Public tables out, as canonical CSV, JSON or Parquet."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from ingest import current, durable, frames, store
from ingest.errors import BadInput, plainly
from ingest.job import Job
from rules import tables

Format = Literal["csv", "json", "parquet"]
FORMATS = ("csv", "json", "parquet")
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet takes a text cell that begins so for a formula (OWASP, CSV injection)."""


def table(job: Job, name: str) -> pd.DataFrame:
    """Return a public table in canonical order and rounding; raise BadInput for a wrong name."""
    if name not in (*tables.PUBLIC, *WORKED_OUT):
        there_are = ", ".join((*tables.PUBLIC, *WORKED_OUT))
        raise BadInput(f"No table '{name}'; there are: {there_are}.")
    current.ensure(job)
    with store.reader(job.store) as connection:
        if name in WORKED_OUT:
            return WORKED_OUT[name](connection)
        return tables.canonical(read(connection, name), name)


def _applications(connection: Any) -> pd.DataFrame:
    """Work out which network applications each tested link supports (SUPPORT)."""
    from ingest import planload
    from rules import applications

    links, grades = planload.newest(connection)[1], read(connection, "grades")
    return applications.supported(applications.results(links, grades))


WORKED_OUT = {"applications": _applications}
"""Tables that are worked out when asked for and not stored."""


def read(connection: Any, name: str) -> pd.DataFrame:
    """Read a public table from an open store, in no order."""
    columns = tables.PUBLIC[name]
    if name == "readings":
        from ingest import readings

        stored, _ = readings.load(connection)
        return readings.with_state(connection, stored)
    listed = ", ".join(f'"{column}"' for column in columns)
    if name == "faults":
        sql = (
            'SELECT d.sha256, d.name, f.line, f."column", f.code, f.found, f.expected, f.remedy '
            "FROM fault f JOIN dump d ON d.id = f.dump WHERE d.aside = 0"
        )
    elif name == "pairs":
        rest = ", ".join(f"p.{column}" for column in columns if column != "reading_id")
        sql = f"SELECT r.reading_id, {rest} FROM derived_pairs p JOIN reading r ON r.row = p.row"
    else:
        sql = f"SELECT {listed} FROM derived_{name}"
    return frames.select(connection, sql, (), columns)


def render(frame: pd.DataFrame, format_: Format) -> bytes:
    """Turn a canonical table into bytes; absent numbers are empty (CSV) or null (JSON)."""
    if format_ == "json":
        return _json(frame)
    if format_ == "parquet":
        try:
            import pyarrow  # noqa: F401
        except ImportError:
            raise BadInput(
                "Parquet needs an extra: pip install 'glasstally[parquet]'; or use csv or json."
            ) from None
        out = io.BytesIO()
        frame.to_parquet(out, index=False)
        return out.getvalue()
    text = {str(name): column for name, column in frame.items() if column.dtype == "str"}
    guarded = frame.assign(**{name: _guard(column) for name, column in text.items()})
    return guarded.to_csv(index=False, lineterminator="\n").encode()


def _json(frame: pd.DataFrame) -> bytes:
    columns = {name: frame[name].astype(object).where(frame[name].notna(), None) for name in frame}
    names = list(columns)
    rows = [
        json.dumps(dict(zip(names, values, strict=True)), ensure_ascii=False, allow_nan=False)
        for values in zip(*(column.tolist() for column in columns.values()), strict=True)
    ]
    return ("[\n" + ",\n".join(rows) + "\n]\n").encode() if rows else b"[]\n"


def _guard(text: pd.Series[Any]) -> pd.Series[Any]:
    """Put an apostrophe before text that a spreadsheet would run as a formula."""
    return text.mask(text.str.startswith(_DANGEROUS), "'" + text)


def write(job: Job, name: str, format_: Format, to: Path) -> int:
    """Write a table to a file and give its number of rows."""
    if format_ not in FORMATS:
        raise BadInput(f"No format '{format_}'; there are: {', '.join(FORMATS)}.")
    frame = table(job, name)
    with plainly(f"Writing {to}"):
        durable.write(to, render(frame, format_))
    return len(frame)
