"""What line-oriented layouts share: ignored lines, headings, and the lines nobody described."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import patterns
from parsers.profile import Profile
from parsers.profile_parts import Table
from parsers.raw import Fault, Mark, Noted, Raw
from parsers.text import LONGEST_LINE, Text, split

UNKNOWN, BLANK, TAKEN = 0, 1, 2
"""Kinds of lines while a layout is read."""


def classify(profile: Profile, text: Text, raw: Raw) -> NDArray[np.int8]:
    """Settle blank lines, ignored lines and headings; return the kind of each line."""
    kinds = np.zeros(len(text.starts), np.int8)
    kinds[text.blank()] = BLANK
    for index in np.flatnonzero(text.ends - text.starts > LONGEST_LINE).tolist():
        kinds[index] = TAKEN
        size = int(text.ends[index] - text.starts[index])
        raw.faults.append(
            Fault(index + 1, 1, "line-too-long", text.excerpt(index),
                  f"at most {LONGEST_LINE} bytes; this line has {size}")
        )  # fmt: skip
    texts = [rule.match or "" for rule in profile.ignore]
    texts += [rule.match or "" for rule in profile.heading]
    compiled = [patterns.compile_lines(rule.match or "") for rule in profile.heading]
    for offset, which in patterns.found(texts, text.body):
        index = int(np.searchsorted(text.starts, offset))
        if kinds[index] != UNKNOWN:
            continue
        kinds[index] = TAKEN
        if which < len(profile.ignore):
            raw.marks.append(Mark(index + 1, index + 1, "ignored", profile.ignore[which].why))
            continue
        which -= len(profile.ignore)
        _note(profile.heading[which].carry, compiled[which], text.line(index), index + 1, raw)
        raw.marks.append(Mark(index + 1, index + 1, "context", "heading"))
    return kinds


def _note(carry: list[Any], pattern: Any, line: str, number: int, raw: Raw) -> None:
    """Keep what a heading says, and carry what holds for the rows below."""
    groups = pattern.search(line.encode()).groupdict()
    said = {_str(name): _str(value or b"").strip() for name, value in groups.items()}
    wavelength = said.get("wavelength", "")
    for name, value in said.items():
        raw.context.append(Noted(number, name, value))
    for name in carry:
        key = wavelength if name == "reference" else ""
        raw.carried.setdefault(name, []).append((number, said[name], key))


def _str(value: bytes | str) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value


def beginning(text: Text, title: str, quote: str) -> list[int]:
    """List the lines that begin with `title`, quoted or not."""
    wanted = f"^[ \\t]*{patterns.literal(quote)}?[ \\t]*{patterns.literal(title.strip())}"
    return [
        int(np.searchsorted(text.starts, offset))
        for offset, _ in patterns.found([wanted], text.body)
    ]


def rest(profile: Profile, text: Text, kinds: NDArray[np.int8], raw: Raw, tabled: bool) -> None:
    """Account for every line that is still unknown: kept as preamble, or a fault."""
    if not tabled:
        first = profile.table[0].header
        raw.faults.append(
            Fault(1, 1, "header-missing", text.excerpt(0),
                  "the column titles " + ", ".join(repr(title) for title in first))
        )  # fmt: skip
    keep = profile.text.preamble == "keep"
    for index in np.flatnonzero(kinds == UNKNOWN).tolist():
        line = text.excerpt(index)
        if keep:
            raw.context.append(Noted(index + 1, "preamble", line.strip()))
            raw.marks.append(Mark(index + 1, index + 1, "context", "preamble"))
        else:
            raw.faults.append(
                Fault(index + 1, 1, "line-unknown", line, "a line that the profile describes")
            )


def used(table: Table) -> list[str]:
    """List the columns that a table's fields and values are read from, in header order."""
    wanted = {place for rule in table.fields.values() for place in rule.places()}
    wanted |= {value.column for value in table.values}
    return [title for title in table.header if title in wanted]


def stripped(cells: pd.DataFrame) -> pd.DataFrame:
    """Take outer blank space off every cell."""
    return pd.DataFrame({name: cells[name].str.strip() for name in cells.columns})


def spaced(body: bytes, signs: str) -> bool:
    """Tell whether some cell may have blank space beside a separator, a quote or a line end."""
    if not body.isascii():
        return True
    array = np.frombuffer(body, dtype=np.uint8)
    edges = [ord(sign) for sign in signs] + [10]
    beside = np.zeros(256, np.bool_)
    beside[edges] = True
    for blank in {9, 32} - set(edges):
        places = np.flatnonzero(array == blank)
        before, after = (
            array[np.maximum(places - 1, 0)],
            array[np.minimum(places + 1, len(array) - 1)],
        )
        if (beside[before] | beside[after] | (places == 0)).any():
            return True
    return False


def refused(data: bytes, code: str, why: str) -> Raw:
    """Account for a document that cannot be read: every line of its bytes is one fault."""
    raw = Raw(size=len(split(data)[1]))
    raw.faults.append(Fault(1, 1, code, why, "a whole document within bounds"))
    raw.marks += [Mark(1, raw.size, "fault", code)] if raw.size else []
    return raw
