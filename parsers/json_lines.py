"""Layout `json` with a document on each line: lines of one form are read as whole columns."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import documents, lines, text, trees
from parsers.columns import texts
from parsers.profile import Profile
from parsers.raw import Fault, Raw, Rows

MOST_FORMS = 12
"""Forms that are learnt from a dump; lines of further ones are read one by one."""
_TOKEN = re.compile(r'(\s+)|("(?:[^"\\]|\\.)*")(\s*:)?|(-?\d[\d.eE+-]*)|(true|false|null)|(.)')
_STRING = r'"([^"\\\x00-\x1f]*)"'
_NUMBER = r"(-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?)"


@dataclass(frozen=True)
class Form:
    """Lines with the same names in the same order, whose values are of the same kinds."""

    pattern: re.Pattern[str]
    """One group per value that is not null; what matches is JSON (RFC 8259) by its making."""
    names: tuple[str, ...]


def form(line: str, values: dict[str, str]) -> Form | None:
    """Learn the form of a line that holds `values`, by path; None where one of them is empty."""
    parts = []
    for blank, string, colon, number, word, sign in _TOKEN.findall(line):
        if string:
            parts.append(re.escape(string) + r"\s*:" if colon else _STRING)
        elif number:
            parts.append(_NUMBER)
        elif word:
            parts.append("null" if word == "null" else "(true|false)")
        else:
            parts.append(r"\s*" if blank else re.escape(sign))
    pattern = re.compile("".join(parts), re.ASCII)
    names = tuple(name for name, value in values.items() if value)
    whole = names and pattern.groups == len(names) and pattern.fullmatch(line)
    return Form(pattern, names) if whole else None


def read(profile: Profile, data: bytes) -> tuple[Raw, list[Fault]]:
    """Read one JSON document per line; a broken line is a fault of its own."""
    body = text.read(data, profile.text.encoding)
    raw = Raw(size=len(body.starts), encoding=profile.text.encoding)
    gathered = documents.gathering(profile)
    used = lines.used(profile.table[0])
    simple = len(profile.table) == 1 and not profile.table[0].rows
    simple = simple and not any(title.startswith("../") for title in used)
    every = body.lines()
    long = body.ends - body.starts > text.LONGEST_LINE
    for index in np.flatnonzero(long).tolist():
        _broken(raw, body, index, trees.Broken("line-too-long", "the line is too long"))
    left = np.flatnonzero(~body.blank() & ~long).tolist()
    columns: list[tuple[NDArray[np.int64], pd.DataFrame]] = []
    place = 0
    while place < len(left):
        index = left[place]
        place += 1
        found = trees.document(every[index])
        if isinstance(found, trees.Broken):
            _broken(raw, body, index, found)
            continue
        before = len(gathered.rows[0]), len(raw.context)
        documents.take(profile, found, raw, gathered, index + 1)
        one_row = (len(gathered.rows[0]), len(raw.context)) == (before[0] + 1, before[1])
        learns = simple and one_row and len(columns) < MOST_FORMS
        flat = trees.flat(every[index]) if learns else None
        # a name that the profile lacks is a fault once, which the form's first line has
        known = form(every[index], flat) if flat else None
        if known:
            left = left[place:]
            matches = [known.pattern.fullmatch(every[one]) for one in left]
            columns.append(_columns(known, used, left, matches))
            left = [one for one, match in zip(left, matches, strict=True) if match is None]
            place = 0
    documents.finish(profile, raw, gathered)
    if columns:
        raw.rows[0] = _joined(raw.rows[0], columns)
    return raw, []


def _broken(raw: Raw, body: text.Text, index: int, why: trees.Broken) -> None:
    raw.faults.append(Fault(index + 1, 1, why.code, body.excerpt(index), f"JSON ({why.why})"))


def _columns(
    known: Form, used: list[str], left: list[int], matches: list[re.Match[str] | None]
) -> tuple[NDArray[np.int64], pd.DataFrame]:
    """Return the lines (from 1) that match, and their cells by title."""
    number = np.array([n + 1 for n, match in zip(left, matches, strict=True) if match], np.int64)
    groups = zip(*(match.groups() for match in matches if match), strict=True)
    values = dict(zip(known.names, groups, strict=False))
    cells = {
        title: pd.Series(values[title], dtype="str").str.strip()
        if title in values else texts([""], np.zeros(len(number), np.int8))
        for title in used
    }  # fmt: skip
    return number, pd.DataFrame(cells)


def _joined(rows: Rows, columns: list[tuple[NDArray[np.int64], pd.DataFrame]]) -> Rows:
    """Put the rows that were read one by one and those read as columns in order of lines."""
    number = np.concatenate([rows.first, *(lit for lit, _ in columns)])
    order = np.argsort(number, kind="stable")
    cells = pd.concat([rows.cells, *(cells for _, cells in columns)], ignore_index=True)
    number = number[order]
    return Rows(rows.table, cells.iloc[order].reset_index(drop=True), number, number, rows.places)
