"""Layout `delimited`: fields parted by one sign, quotes after RFC 4180 section 2."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import lines
from parsers.profile import Delimited, Profile, Table
from parsers.raw import Fault, Mark, Raw, Rows
from parsers.text import Text

MOST_COLUMNS = 10_000
"""Engineering default, no source."""


def read(profile: Profile, text: Text) -> Raw:
    """Split the lines of every table that the profile describes; see `Raw`."""
    rules = profile.delimited
    assert rules is not None, "the profile's layout is checked when it is loaded"
    raw = Raw()
    kinds = lines.classify(profile, text, raw)
    counts, unclosed = _separators(text, rules)
    headers = _headers(profile, text, rules, kinds)
    for position, (index, table) in enumerate(headers):
        stop = headers[position + 1][0] if position + 1 < len(headers) else len(text.starts)
        start = index + 1 if table.titled else index
        inside = np.zeros(len(text.starts), np.bool_)
        inside[start:stop] = kinds[start:stop] == lines.UNKNOWN
        if table.titled:
            kinds[index] = lines.TAKEN
            raw.marks.append(Mark(index + 1, index + 1, "context", "column titles"))
        width = len(table.header)
        whole = inside & (counts == width - 1) & ~unclosed
        for bad in np.flatnonzero(inside & ~whole).tolist():
            raw.faults.append(_misfit(text, bad, int(counts[bad]) + 1, width, bool(unclosed[bad])))
        chosen = np.flatnonzero(whole)
        if len(chosen):
            raw.rows.append(_split(text, chosen, table, rules))
        kinds[inside] = lines.TAKEN
    lines.rest(profile, text, kinds, raw, bool(headers))
    return raw


def _separators(text: Text, rules: Delimited) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Count the separators of each line that stand outside quotes; tell where quotes are wrong."""
    array = np.frombuffer(text.body, dtype=np.uint8)
    places = np.flatnonzero(array == ord(rules.separator))
    wrong = np.zeros(len(text.starts), np.bool_)
    counts = np.searchsorted(places, text.ends) - np.searchsorted(places, text.starts)
    if not rules.quote:
        return counts.astype(np.int64), wrong
    quotes = np.flatnonzero(array == ord(rules.quote))
    if not len(quotes):
        return counts.astype(np.int64), wrong
    quoted = np.unique(np.searchsorted(text.starts, quotes, side="right") - 1)
    separator, quote = rules.separator, rules.quote
    for index in quoted.tolist():
        cells = fields(text.line(index), separator, quote)
        counts[index] = 0 if cells is None else len(cells) - 1
        wrong[index] = cells is None
    return counts.astype(np.int64), wrong


def fields(line: str, separator: str, quote: str) -> list[str] | None:
    """Split one line; None where a quote is not closed or text stands beside a closing quote."""
    if not quote or quote not in line:
        return line.split(separator)
    out, place, end = [], 0, len(line)
    while True:
        if line.startswith(quote, place):
            cell, place = "", place + 1
            while True:
                close = line.find(quote, place)
                if close < 0:
                    return None
                cell += line[place:close]
                place = close + 1
                if not line.startswith(quote, place):
                    break
                cell, place = cell + quote, place + 1
            if place < end and not line.startswith(separator, place):
                return None
        else:
            stop = line.find(separator, place)
            stop = end if stop < 0 else stop
            cell, place = line[place:stop], stop
            if quote in cell:
                return None
        out.append(cell)
        if place >= end:
            return out
        place += 1


def _headers(
    profile: Profile, text: Text, rules: Delimited, kinds: NDArray[np.int8]
) -> list[tuple[int, Table]]:
    """Find the line of titles of each table, repeated ones included, in order of lines."""
    found = []
    for table in profile.table:
        if not table.titled:
            first = np.flatnonzero(kinds == lines.UNKNOWN)
            found += [(int(first[0]), table)] if len(first) else []
            continue
        wanted = [title.strip() for title in table.header]
        for index in lines.beginning(text, table.header[0], rules.quote):
            cells = fields(text.line(index), rules.separator, rules.quote)
            if cells is not None and [cell.strip() for cell in cells] == wanted:
                found.append((index, table))
    return sorted(found, key=lambda pair: pair[0])


def _misfit(text: Text, index: int, found: int, width: int, unclosed: bool) -> Fault:
    line = text.line(index)
    if unclosed:
        return Fault(index + 1, 1, "quote-unbalanced", line, "every quoted field closed")
    return Fault(index + 1, 1, "field-count", line, f"{width} fields; this row has {found}")


def _split(text: Text, chosen: NDArray[np.int64], table: Table, rules: Delimited) -> Rows:
    """Split whole rows by pandas' C reader, which is given nothing but rows of the right width."""
    block = _joined(text, chosen)
    used = lines.used(table)
    cells = pd.read_csv(
        io.BytesIO(block),
        sep=rules.separator,
        header=None,
        names=list(range(len(table.header))),
        usecols=[table.header.index(title) for title in used],
        index_col=False,
        dtype="str",
        keep_default_na=False,
        na_filter=False,
        quotechar=rules.quote or '"',
        quoting=0 if rules.quote else 3,
        skip_blank_lines=False,
        engine="c",
        low_memory=False,
        encoding="utf-8",
        encoding_errors="replace",
    )
    cells.columns = pd.Index(used)
    assert len(cells) == len(chosen), "the reader must give back each row"
    place = {title: table.header.index(title) + 1 for title in used}
    numbers = chosen + 1
    return Rows(table, lines.stripped(cells), numbers, numbers, place)


def _joined(text: Text, chosen: NDArray[np.int64]) -> bytes:
    """Join the chosen lines; runs of neighbours are taken as one slice."""
    breaks = np.flatnonzero(np.diff(chosen) != 1) + 1
    firsts = chosen[np.concatenate([[0], breaks])]
    lasts = chosen[np.concatenate([breaks - 1, [len(chosen) - 1]])]
    pairs = zip(text.starts[firsts].tolist(), text.ends[lasts].tolist(), strict=True)
    return b"\n".join(text.body[start:end] for start, end in pairs) + b"\n"
