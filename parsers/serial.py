"""Layout `serial`: lines as a meter sends them, framed, with a checksum, parted by one sign."""

from __future__ import annotations

import binascii

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import lines, patterns
from parsers.profile import Profile
from parsers.profile_parts import Serial, Table
from parsers.raw import Fault, Mark, Raw, Rows
from parsers.text import Text, line_ends, shown


def read(profile: Profile, text: Text) -> Raw:
    """Take frames off, prove checksums and part the lines; see `Raw`."""
    rules = profile.serial
    assert rules is not None, "the profile's layout is checked when it is loaded"
    raw = Raw(size=len(text.starts))
    kinds = lines.classify(profile, text, raw)
    _end(rules, text, kinds, raw)
    taken = _payloads(profile, rules, text, kinds, raw)
    for table in profile.table:
        rows = _rows_of(table, taken)
        whole = []
        for index, payload in rows:
            cells = payload.split(rules.separator)
            kinds[index] = lines.TAKEN
            if len(cells) == len(table.header):
                whole.append((index, cells))
                continue
            raw.faults.append(
                Fault(index + 1, 1, "field-count", text.line(index),
                      f"{len(table.header)} fields; this row has {len(cells)}")
            )  # fmt: skip
        taken = [pair for pair in taken if kinds[pair[0]] == lines.UNKNOWN]
        if whole:
            raw.rows.append(_table(table, whole))
    lines.rest(profile, text, kinds, raw, True)
    return raw


def _payloads(
    profile: Profile, rules: Serial, text: Text, kinds: NDArray[np.int8], raw: Raw
) -> list[tuple[int, str]]:
    """Return (line from 0, text inside the frame) of each line whose frame and checksum hold."""
    start, end = shown(rules.start), shown(rules.end)
    every = text.lines()
    framed = []
    for index in np.flatnonzero(kinds == lines.UNKNOWN).tolist():
        payload, check, fault = _unframed(every[index], start, end, rules)
        if fault is None:
            framed.append((index, payload, check))
        else:
            raw.faults.append(fault._replace(line=index + 1))
            kinds[index] = lines.TAKEN
    if rules.checksum == "none":
        return [(index, payload) for index, payload, _ in framed]
    encoding = profile.text.encoding
    wanted = checksums(rules.checksum, [p.encode(encoding, "replace") for _, p, _ in framed])
    good = []
    for (index, payload, check), sum_ in zip(framed, wanted, strict=True):
        if check.strip().upper() == sum_:
            good.append((index, payload))
            continue
        place = len(every[index]) - len(check) + 1
        expected = f"checksum {sum_}; found {check!r}"
        raw.faults.append(Fault(index + 1, place, "checksum-wrong", every[index], expected))
        kinds[index] = lines.TAKEN
    return good


def _rows_of(table: Table, taken: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Return the lines that look like rows of a table."""
    if not table.row or not taken:
        return taken
    body = "\n".join(payload for _, payload in taken).encode("utf-8", "replace")
    starts, _ = line_ends(body)
    offsets = [offset for offset, _ in patterns.found([table.row], body)]
    found = np.unique(np.searchsorted(starts, np.array(offsets, np.int64)))
    return [taken[place] for place in found.tolist()]


def _table(table: Table, whole: list[tuple[int, list[str]]]) -> Rows:
    numbers = np.array([index + 1 for index, _ in whole], np.int64)
    columns = list(zip(*(cells for _, cells in whole), strict=True))
    used = lines.used(table)
    cells = {t: pd.Series(columns[table.header.index(t)], dtype="str").str.strip() for t in used}
    places = {t: table.header.index(t) + 1 for t in used}
    return Rows(table, pd.DataFrame(cells), numbers, numbers, places)


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


def _unframed(line: str, start: str, end: str, rules: Serial) -> tuple[str, str, Fault | None]:
    """Return the text between the frame's signs and what follows, or a fault."""
    body = line.strip()
    if start:
        if not body.startswith(start):
            return "", "", Fault(0, 1, "frame-broken", line, f"{start} before the text")
        body = body.removeprefix(start)
    if not end:
        return body, "", None
    payload, there, check = body.rpartition(end)
    if not there:
        return "", "", Fault(0, len(line), "frame-broken", line, f"{end} after the text")
    if rules.checksum == "none" and check:
        return "", "", Fault(0, 1, "frame-broken", line, f"nothing after {end}")
    return payload, check, None


def checksums(kind: str, texts: list[bytes]) -> list[str]:
    """Return the checksum of each text as hexadecimal digits.

    `sum-8`: sum modulo 256; `xor-8`: exclusive or of all bytes (as NMEA 0183 has it); `crc-16`:
    polynomial 1021 (hexadecimal) from 0 (CRC-16/XMODEM; check value of "123456789" is 31C3).
    """
    if kind == "crc-16":
        return [f"{binascii.crc_hqx(text, 0):04X}" for text in texts]
    if not texts:
        return []
    # a zero byte changes neither sum nor exclusive or, and gives empty texts a place of their own
    joined = np.frombuffer(b"".join(b"\0" + text for text in texts), np.uint8)
    sizes = np.array([len(text) + 1 for text in texts], np.int64)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    reduce = np.add.reduceat if kind == "sum-8" else np.bitwise_xor.reduceat
    # sums of bytes are taken modulo 256 by the type itself
    return [f"{number:02X}" for number in reduce(joined, starts, dtype=np.uint8).tolist()]
