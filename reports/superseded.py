"""The superseded part: results that were replaced, kept apart from the record and in full."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from reports import facts, numbers, record
from reports.document import Block, Column, Document, Row, heading, plain, sheet, text
from reports.particulars import Particulars
from reports.words import Words, words

ROWS_PER_PART = 1500


def document(gone: pd.DataFrame, given: Particulars) -> Document:
    """Lay out `facts.superseded` on paper."""
    w = words(given.language)
    columns = [
        Column(w("record.link"), 0), Column(w("record.nm"), 12, "r"), Column(w("record.way"), 11),
        Column(w("record.loss"), 14, "r"), Column(w("record.limit"), 14, "r"),
        Column(w("record.margin"), 15, "r"), Column(w("record.tested"), 28),
        Column(w("record.meter"), 22), Column(w("superseded.dump"), 40),
    ]  # fmt: skip
    title: tuple[Block, ...] = (heading(w("superseded.name")), text(w("superseded.text")))
    meta = record.meta(given, w, w("superseded.name"))
    if gone.empty:
        return Document("superseded", meta, ((*title, text(w("superseded.none"))),))
    parts = [(sheet(columns, [rows]),) for rows in _parts(list(rows_of(gone, w)))]
    return Document("superseded", meta, ((*title, *parts[0]), *parts[1:]))


def rows_of(gone: pd.DataFrame, w: Words) -> Iterator[Row]:
    """Write the printed rows of replaced results."""
    digits, style = gone["digits"].to_numpy(), w.style
    level = gone["loss_db"].where(gone["loss_db"].notna(), gone["power_dbm"])
    loss = numbers.decibels(level, digits, style)
    limit = numbers.decibels(gone["limit_db"], digits, style)
    margin = numbers.decibels(gone["margin_db"], digits, style, signed=True)
    for i, r in enumerate(facts.each(gone)):
        yield plain(
            r.link_id, str(r.wavelength_nm or ""), r.direction, loss[i], limit[i], margin[i],
            numbers.moment(r.taken_at, style), r.meter_serial, f"{r.dump_name}, {r.line}",
        )  # fmt: skip


def _parts(rows: list[Row]) -> Iterator[list[Row]]:
    for start in range(0, len(rows), ROWS_PER_PART):
        yield rows[start : start + ROWS_PER_PART]
