"""Layout `serial`: lines as a meter sends them, framed, with a checksum, parted by one sign."""

from __future__ import annotations

import binascii

import numpy as np
from numpy.typing import NDArray

from parsers import cells, lines, patterns
from parsers.profile import Profile
from parsers.profile_parts import Serial
from parsers.raw import Fault, Mark, Raw, Rows
from parsers.text import Text, found, shown, trimmed


def read(profile: Profile, text: Text) -> Raw:
    """Take frames off, prove checksums and part the lines; see `Raw`."""
    rules = profile.serial
    assert rules is not None, "the profile's layout is checked when it is loaded"
    raw = Raw(size=len(text.starts))
    kinds = lines.classify(profile, text, raw)
    _end(rules, text, kinds, raw)
    text = text.parted(rules.separator)
    index, payloads = _payloads(profile, rules, text, kinds, raw)
    sign = rules.separator.encode()
    widths = np.array([payload.count(sign) + 1 for payload in payloads], np.int64)
    for table in profile.table:
        mine = kinds[index] == lines.UNKNOWN
        if table.row:
            mine &= patterns.matching(table.row, payloads)
        kinds[index[mine]] = lines.TAKEN
        fits = widths == len(table.header)
        expected = f"{len(table.header)} fields; this row has "
        raw.faults += [
            Fault(int(index[row]) + 1, 1, "field-count", text.excerpt(int(index[row])),
                  f"{expected}{widths[row]}")
            for row in np.flatnonzero(mine & ~fits).tolist()
        ]  # fmt: skip
        chosen = np.flatnonzero(mine & fits)
        if len(chosen):
            block = b"\n".join([payloads[row] for row in chosen.tolist()] + [b""])
            split = cells.split(block, len(chosen), table, rules.separator)
            number = index[chosen] + 1
            raw.rows.append(Rows(table, split, number, number, cells.places(table)))
    lines.rest(profile, text, kinds, raw, True)
    return raw


def _payloads(
    profile: Profile, rules: Serial, text: Text, kinds: NDArray[np.int8], raw: Raw
) -> tuple[NDArray[np.int64], list[bytes]]:
    """Return the lines (from 0) whose frame and checksum hold, and the text inside each frame."""
    index = np.flatnonzero(kinds == lines.UNKNOWN)
    first, last, stop = _unframed(text, index, rules, raw)
    held = first >= 0
    kinds[index[~held]] = lines.TAKEN
    index, first, last, stop = index[held], first[held], last[held], stop[held]
    payloads = text.cut(first, last)
    if rules.checksum == "none":
        return index, payloads
    sent = payloads
    if not text.body.isascii():
        encoding = profile.text.encoding
        sent = [payload.decode().encode(encoding, "replace") for payload in payloads]
    checks = text.cut(last + len(shown(rules.end).encode()), stop)
    wanted = checksums(rules.checksum, sent)
    good = np.array([check.strip().upper() == sum_.encode()
                     for check, sum_ in zip(checks, wanted, strict=True)], np.bool_)  # fmt: skip
    for row in np.flatnonzero(~good).tolist():
        line, check = text.line(int(index[row])), checks[row].decode()
        expected = f"checksum {wanted[row]}; found {check!r}"
        raw.faults.append(
            Fault(int(index[row]) + 1, len(line) - len(check) + 1, "checksum-wrong", line, expected)
        )
    kinds[index[~good]] = lines.TAKEN
    return index[good], [payloads[row] for row in np.flatnonzero(good).tolist()]


def _unframed(
    text: Text, index: NDArray[np.int64], rules: Serial, raw: Raw
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return where the text inside each line's frame starts (-1: no frame) and ends.

    The third array tells where the line itself ends; what stands between is the checksum.
    """
    first, stop = trimmed(text.body, text.starts[index], text.ends[index])
    last = stop.copy()
    fault = np.zeros(len(index), np.int8)
    start, end = shown(rules.start), shown(rules.end)
    if start:
        places = found(text.body, start.encode())
        fault[~np.isin(first, places)] = 1
        first = first + len(start.encode())
    if end:
        places = np.concatenate([[-1], found(text.body, end.encode())])
        last = places[np.searchsorted(places, stop) - 1]
        fault[(last < first) & (fault == 0)] = 2
        if rules.checksum == "none":
            fault[(stop > last + len(end.encode())) & (fault == 0)] = 3
    told = ("", f"{start} before the text", f"{end} after the text", f"nothing after {end}")
    for row in np.flatnonzero(fault).tolist():
        line = text.line(int(index[row]))
        column = len(line) if fault[row] == 2 else 1
        raw.faults.append(Fault(int(index[row]) + 1, column, "frame-broken", line,
                                told[fault[row]]))  # fmt: skip
    return np.where(fault > 0, -1, first), last, stop


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
