"""Layout `serial`: lines as a meter sends them, framed, with a checksum, parted by one sign."""

from __future__ import annotations

import binascii
import functools
import operator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import lines, patterns
from parsers.profile import Profile
from parsers.profile_parts import Serial
from parsers.raw import Fault, Mark, Raw, Rows
from parsers.text import Text, shown

_DIGITS = {"sum-8": 2, "xor-8": 2, "crc-16": 4}


def read(profile: Profile, text: Text) -> Raw:
    """Take frames off, prove checksums and part the lines; see `Raw`."""
    rules = profile.serial
    assert rules is not None, "the profile's layout is checked when it is loaded"
    raw = Raw(size=len(text.starts))
    kinds = lines.classify(profile, text, raw)
    _end(rules, text, kinds, raw)
    start, end = shown(rules.start), shown(rules.end)
    tables = [(patterns.compile_lines(t.row) if t.row else None, t) for t in profile.table]
    taken: list[list[tuple[int, list[str]]]] = [[] for _ in tables]
    for index in np.flatnonzero(kinds == lines.UNKNOWN).tolist():
        payload, fault = _unframed(text.line(index), start, end, rules, profile.text.encoding)
        if fault:
            raw.faults.append(fault._replace(line=index + 1))
            kinds[index] = lines.TAKEN
            continue
        for number, (pattern, table) in enumerate(tables):
            if pattern is None or pattern.search(payload.encode()):
                parted = payload.split(rules.separator)
                if len(parted) == len(table.header):
                    taken[number].append((index, parted))
                else:
                    raw.faults.append(
                        Fault(index + 1, 1, "field-count", text.line(index),
                              f"{len(table.header)} fields; this row has {len(parted)}")
                    )  # fmt: skip
                kinds[index] = lines.TAKEN
                break
    for (_, table), found in zip(tables, taken, strict=True):
        if not found:
            continue
        numbers = np.array([index + 1 for index, _ in found], np.int64)
        columns = list(zip(*(cells for _, cells in found), strict=True))
        used = lines.used(table)
        cells = {t: pd.Series(columns[table.header.index(t)], dtype="str").str.strip()
                 for t in used}  # fmt: skip
        places = {t: table.header.index(t) + 1 for t in used}
        raw.rows.append(Rows(table, pd.DataFrame(cells), numbers, numbers, places))
    lines.rest(profile, text, kinds, raw, True)
    return raw


def _end(rules: Serial, text: Text, kinds: NDArray[np.int8], raw: Raw) -> None:
    """Account for the end mark; a dump that needs one and has none is incomplete."""
    if rules.last is None:
        return
    found = False
    for offset, _ in patterns.found([rules.last], text.body):
        index = int(np.searchsorted(text.starts, offset))
        if kinds[index] == lines.UNKNOWN:
            kinds[index] = lines.TAKEN
            raw.marks.append(Mark(index + 1, index + 1, "context", "end mark"))
            found = True
    if not found:
        place = max(len(text.starts), 1)
        raw.faults.append(
            Fault(place, 1, "capture-incomplete", text.excerpt(place - 1), "the meter's end mark")
        )


def _unframed(
    line: str, start: str, end: str, rules: Serial, encoding: str
) -> tuple[str, Fault | None]:
    """Return the text between the frame's signs, or a fault."""
    body = line.strip()
    if start:
        if not body.startswith(start):
            return "", Fault(0, 1, "frame-broken", line, f"{start} before the text")
        body = body.removeprefix(start)
    if not end:
        return body, None
    payload, there, check = body.rpartition(end)
    if not there:
        return "", Fault(0, len(line), "frame-broken", line, f"{end} after the text")
    if rules.checksum == "none":
        fault = Fault(0, 1, "frame-broken", line, f"nothing after {end}") if check else None
        return payload, fault
    wanted = checksum(rules.checksum, payload.encode(encoding, "replace"))
    if check.strip().upper() != wanted:
        place = len(line) - len(check) + 1
        return "", Fault(0, place, "checksum-wrong", line, f"checksum {wanted}; found {check!r}")
    return payload, None


def checksum(kind: str, data: bytes) -> str:
    """Return a checksum as hexadecimal digits.

    `sum-8`: sum modulo 256; `xor-8`: exclusive or of all bytes (as NMEA 0183 has it); `crc-16`:
    polynomial 1021 (hexadecimal) from 0 (CRC-16/XMODEM; check value of "123456789" is 31C3).
    """
    if kind == "sum-8":
        number = sum(data) & 0xFF
    elif kind == "xor-8":
        number = functools.reduce(operator.xor, data, 0)
    else:
        number = binascii.crc_hqx(data, 0)
    return f"{number:0{_DIGITS[kind]}X}"
