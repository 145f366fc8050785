"""Layout `delimited`: fields parted by one sign, quotes after RFC 4180 section 2."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from parsers import cells, lines
from parsers.profile import Profile
from parsers.profile_parts import Delimited, Table
from parsers.raw import Fault, Mark, Raw, Rows
from parsers.text import Text

MOST_COLUMNS = 10_000
"""Engineering default, no source."""


class _Logical(NamedTuple):
    """The rows of text: physical lines `first` to `last` (from 0), with their separators."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    separators: NDArray[np.int64]
    unclosed: NDArray[np.bool_]


def read(profile: Profile, text: Text) -> Raw:
    """Split the lines of every table that the profile describes; see `Raw`."""
    rules = profile.delimited
    assert rules is not None, "the profile's layout is checked when it is loaded"
    raw = Raw(size=len(text.starts))
    kinds = lines.classify(profile, text, raw)
    text = text.parted(rules.separator)
    logical = _logical(text, rules, kinds)
    headers = _headers(profile, text, rules, kinds)
    for position, (index, table) in enumerate(headers):
        if table.titled:
            kinds[index] = lines.TAKEN
            raw.marks.append(Mark(index + 1, index + 1, "context", "column titles"))
        later = [number for number, _ in headers[position + 1 :]]
        stop = later[0] if later else len(text.starts)
        inside = (logical.first >= index) & (logical.first < stop)
        inside &= kinds[logical.first] == lines.UNKNOWN
        whole = inside & (logical.separators == len(table.header) - 1) & ~logical.unclosed
        for bad in np.flatnonzero(inside & ~whole).tolist():
            _misfit(text, logical, bad, len(table.header), raw)
        chosen = np.flatnonzero(whole)
        if len(chosen):
            raw.rows.append(_split(text, logical, chosen, table, rules))
        for row in np.flatnonzero(inside & (logical.first != logical.last)).tolist():
            kinds[logical.first[row] : logical.last[row] + 1] = lines.TAKEN
        kinds[logical.first[inside]] = lines.TAKEN
    lines.rest(profile, text, kinds, raw, bool(headers))
    return raw


def _logical(text: Text, rules: Delimited, kinds: NDArray[np.int8]) -> _Logical:
    """Count the separators outside quotes of each row and prove its quotes, all at once.

    A quote that opens stands at the start of a field or after a quote, one that closes at the end
    of a field or before a quote (RFC 4180, section 2, rules 5 to 7).
    """
    array = np.frombuffer(text.body, dtype=np.uint8)
    places = np.flatnonzero(array == ord(rules.separator))
    quotes = np.flatnonzero(array == ord(rules.quote)) if rules.quote else places[:0]
    first = last = np.arange(len(text.starts))
    if rules.multiline and len(quotes):
        inside = quotes[kinds[_line_of(text.starts, quotes)] == lines.UNKNOWN]
        before = np.searchsorted(inside, text.starts)
        first = np.flatnonzero(before % 2 == 0)
        last = np.concatenate([first[1:] - 1, [len(text.starts) - 1]])[: len(first)]
    starts, ends = text.starts[first], text.ends[last]
    unclosed = np.zeros(len(first), np.bool_)
    if len(quotes):
        row = _line_of(starts, quotes)
        nth = np.arange(len(quotes)) - np.searchsorted(quotes, starts)[row]
        opens = nth % 2 == 0
        sign, quote = ord(rules.separator), ord(rules.quote)
        before_it = array[np.maximum(quotes - 1, 0)]
        after_it = array[np.minimum(quotes + 1, len(array) - 1)]
        good = np.where(
            opens,
            (quotes == starts[row]) | (before_it == sign) | (before_it == quote),
            (quotes + 1 == ends[row]) | (after_it == sign) | (after_it == quote),
        )
        unclosed[row[~good]] = True
        counted = np.bincount(row, minlength=len(first))
        unclosed |= counted % 2 == 1
        owner = _line_of(starts, places)
        ahead = np.searchsorted(quotes, places) - np.searchsorted(quotes, starts)[owner]
        places = places[ahead % 2 == 0]
    counts = np.searchsorted(places, ends) - np.searchsorted(places, starts)
    return _Logical(first, last, counts.astype(np.int64), unclosed)


def _line_of(starts: NDArray[np.int64], places: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.searchsorted(starts, places, side="right") - 1


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
            titles = fields(text.line(index), rules.separator, rules.quote)
            if titles is not None and [title.strip() for title in titles] == wanted:
                found.append((index, table))
    return sorted(found, key=lambda pair: pair[0])


def _misfit(text: Text, logical: _Logical, row: int, width: int, raw: Raw) -> None:
    """Note why a row is no row of the table, and account for all its lines."""
    first, last = int(logical.first[row]), int(logical.last[row])
    found = int(logical.separators[row]) + 1
    if logical.unclosed[row]:
        code, expected = "quote-unbalanced", "every quoted field closed"
    elif found > MOST_COLUMNS:
        code, expected = "columns-too-many", f"at most {MOST_COLUMNS} fields; this row has {found}"
    else:
        code, expected = "field-count", f"{width} fields; this row has {found}"
    raw.faults.append(Fault(first + 1, 1, code, text.excerpt(first), expected))
    if last > first:
        raw.marks.append(Mark(first + 1, last + 1, "fault", code))


def _split(
    text: Text, logical: _Logical, chosen: NDArray[np.int64], table: Table, rules: Delimited
) -> Rows:
    """Split whole rows, which are all of the right width."""
    first, last = logical.first[chosen], logical.last[chosen]
    block = _joined(text, first, last)
    split = cells.split(block, len(chosen), table, rules.separator, rules.quote)
    return Rows(table, split, first + 1, last + 1, cells.places(table))


def _joined(text: Text, first: NDArray[np.int64], last: NDArray[np.int64]) -> bytes:
    """Join the chosen rows; runs of neighbours are taken as one slice."""
    breaks = np.flatnonzero(first[1:] != last[:-1] + 1) + 1
    starts = text.starts[first[np.concatenate([[0], breaks])]]
    ends = text.ends[last[np.concatenate([breaks - 1, [len(last) - 1]])]]
    pairs = zip(starts.tolist(), ends.tolist(), strict=True)
    return b"\n".join(text.body[start:end] for start, end in pairs) + b"\n"
