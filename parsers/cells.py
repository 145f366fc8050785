"""Rows of separated cells to columns of text, whole tables at a time."""

from __future__ import annotations

import csv
import io

import pandas as pd

from parsers import lines
from parsers.profile_parts import Table


def split(block: bytes, count: int, table: Table, separator: str, quote: str = "") -> pd.DataFrame:
    """Split `count` rows, each as wide as the table's header, by pandas' C reader.

    Returns the columns that the table reads, by title, without outer blank space.
    """
    used = lines.used(table)
    cells = pd.read_csv(
        io.BytesIO(block),
        sep=separator,
        header=None,
        names=list(range(len(table.header))),
        usecols=[table.header.index(title) for title in used],
        index_col=False,
        dtype="str",
        keep_default_na=False,
        na_filter=False,
        quotechar=quote or '"',
        quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
        skip_blank_lines=False,
        engine="c",
        encoding="utf-8",
        encoding_errors="replace",
    )
    cells.columns = pd.Index(used)
    assert len(cells) == count, "the reader must give back each row"
    return lines.stripped(cells) if lines.spaced(block, separator + quote) else cells


def places(table: Table) -> dict[str, int]:
    """Return the place of each column that the table reads, from 1."""
    return {title: table.header.index(title) + 1 for title in lines.used(table)}
