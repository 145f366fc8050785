"""Bytes to lines: encodings, line ends, damaged bytes kept visible.

Everything after this module works on UTF-8 bytes with `\\n` line ends and on arrays of offsets.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
"""Byte-order marks (The Unicode Standard, 23.8); a mark outweighs what the profile says."""

LONGEST_LINE = 1_000_000
"""Bytes; a longer line is no meter's line. Engineering default, no source."""
EXCERPT = 200
"""Characters of a bad line that are shown."""
_CONTROL = {code: chr(0x2400 + code) for code in range(32) if code not in (9, 10, 13)}
_CONTROL[0x7F] = "\u2421"
"""Control characters shown by the symbols of the Unicode block Control Pictures (U+2400)."""


@dataclass(frozen=True)
class Text:
    """A dump's text: `body` is UTF-8 with `\\n`; line i (from 0) is body[starts[i]:ends[i]]."""

    body: bytes
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    damaged: tuple[tuple[int, int, str], ...]
    """(line from 1, column from 1, bytes as shown) where the encoding did not hold."""
    controls: tuple[int, ...]
    """Lines, from 1, that hold control characters."""

    def line(self, index: int) -> str:
        """Return line `index` (from 0) as text."""
        return self.body[self.starts[index] : self.ends[index]].decode("utf-8", "replace")

    def lines(self) -> list[str]:
        """Return all lines as text."""
        return self.body.decode("utf-8", "replace").split("\n")[: len(self.starts)]

    def excerpt(self, index: int) -> str:
        """Return the first characters of line `index`, however long it is."""
        if not 0 <= index < len(self.starts):
            return ""
        start = self.starts[index]
        stop = min(self.ends[index], start + 4 * EXCERPT)
        return self.body[start:stop].decode("utf-8", "replace")[:EXCERPT]

    def raw(self, indexes: NDArray[np.int64]) -> list[bytes]:
        """Return lines (from 0) as UTF-8 bytes."""
        return self.cut(self.starts[indexes], self.ends[indexes])

    def cut(self, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> list[bytes]:
        """Return spans of the body."""
        spans = zip(starts.tolist(), ends.tolist(), strict=True)
        return [self.body[start:end] for start, end in spans]

    def parted(self, sign: str) -> Text:
        """Return the text with control character `sign`, here a separator, as itself."""
        if shown(sign) == sign:
            return self
        body = self.body.replace(shown(sign).encode(), sign.encode())
        return Text(body, *line_ends(body), self.damaged, self.controls)

    def blank(self) -> NDArray[np.bool_]:
        """Tell for each line whether it holds nothing but ASCII blank space."""
        return blank_lines(self.body, self.starts, self.ends)


def read(data: bytes, encoding: str, frame: str = "") -> Text:
    """Decode `data` as its byte-order mark or else `encoding` says; never raises on content.

    `frame` holds control characters that belong to the layout and are no damage.
    """
    mark, encoding = marked(data, encoding)
    data = data[mark:]
    damaged: tuple[tuple[int, int, str], ...] = ()
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        text, damaged = _repaired(data, encoding)
    controls: tuple[int, ...] = ()
    same = encoding in ("utf-8", "ascii") and not damaged
    raw = bytes(data) if same else text.encode("utf-8", "backslashreplace")
    if b"\r" in raw:
        raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    array = np.frombuffer(raw, dtype=np.uint8)
    odd = (array < 32) & (array != 10) & (array != 9) | (array == 127)
    if odd.any():
        # a form feed that begins a line is the printer's page break, no part of the line
        raw = raw.replace(b"\n\f", b"\n").removeprefix(b"\f")
        for code in np.unique(array[odd]).tolist():
            raw = raw.replace(bytes([code]), _CONTROL[code].encode())
    starts, ends = line_ends(raw)
    if odd.any():
        controls = _controls(raw, starts, shown(frame))
    return Text(raw, starts, ends, damaged, controls)


def marked(data: bytes, encoding: str) -> tuple[int, str]:
    """Return the length of a byte-order mark and the encoding it stands for."""
    for mark, name in MARKS:
        if data.startswith(mark):
            return len(mark), name
    return 0, "utf-16-le" if encoding == "utf-16" else encoding


def decoded(data: bytes, encoding: str) -> str:
    """Decode as `read` does, into one text with its own line ends."""
    mark, encoding = marked(data, encoding)
    return data[mark:].decode(encoding, "replace" if "16" in encoding else "backslashreplace")


def guessed(data: bytes) -> str:
    """Name an encoding in which ASCII signs can be told apart: UTF-16 by its zero bytes."""
    head = np.frombuffer(data[:4096], dtype=np.uint8)
    if len(head) > 1 and not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        even, odd = (head[::2] == 0).mean(), (head[1::2] == 0).mean()
        if odd > 0.3 and even < 0.1:
            return "utf-16-le"
        if even > 0.3 and odd < 0.1:
            return "utf-16-be"
    return "utf-8"


def holds(data: bytes, word: str) -> bool:
    """Tell whether `word` (ASCII) stands in `data` in any encoding that widens ASCII."""
    return any(word.encode(name) in data for name in ("ascii", "utf-16-le", "utf-16-be"))


def line_ends(body: bytes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where each line of `body` starts and ends (without its `\\n`)."""
    breaks = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == 10).astype(np.int64)
    starts = np.concatenate([np.zeros(1, np.int64), breaks + 1])
    ends = np.concatenate([breaks, np.full(1, len(body), np.int64)])
    if starts[-1] == len(body):
        starts, ends = starts[:-1], ends[:-1]
    return starts, ends


def split(data: bytes, encoding: str = "") -> tuple[bytes, NDArray[np.int64], NDArray[np.int64]]:
    """Return the bytes of `data` with \\n line ends, and where each line starts and ends.

    Needs no more of the encoding than whether it is UTF-16, which it guesses if told nothing.
    """
    mark, encoding = marked(data, encoding or guessed(data))
    body = data[mark:]
    if encoding.startswith("utf-16"):
        body = body.decode(encoding, "replace").encode("utf-8", "replace")
    body = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return body, *line_ends(body)


def blank_lines(
    body: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell for each line whether it holds nothing but ASCII blank space."""
    blank = np.asarray(starts == ends, np.bool_)
    array = np.frombuffer(body, dtype=np.uint8)
    for index in np.flatnonzero(~blank & (array[np.minimum(starts, len(body) - 1)] <= 32)):
        blank[index] = not body[starts[index] : ends[index]].strip()
    return blank


def found(body: bytes, sign: bytes) -> NDArray[np.int64]:
    """List where `sign`, the UTF-8 bytes of one character, stands in `body`."""
    array = np.frombuffer(body, dtype=np.uint8)
    places = np.flatnonzero(array[: len(array) - len(sign) + 1] == sign[0])
    for step, code in enumerate(sign[1:], 1):
        places = places[array[places + step] == code]
    return places.astype(np.int64)


def trimmed(
    body: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Move the ends of spans inwards, past ASCII blanks."""
    array = np.frombuffer(body + b" ", dtype=np.uint8)
    starts, ends = starts.copy(), ends.copy()
    for row in np.flatnonzero((array[starts] <= 32) | (array[ends - 1] <= 32)).tolist():
        line = body[starts[row] : ends[row]]
        ends[row] = starts[row] + len(line.rstrip())
        starts[row] += min(len(line) - len(line.lstrip()), ends[row] - starts[row])
    return starts, ends


def shown(sign: str) -> str:
    """Return a control character as `read` shows it; other text stays as it is."""
    return sign.translate(_CONTROL)


def _controls(body: bytes, starts: NDArray[np.int64], expected: str) -> tuple[int, ...]:
    """List the lines, from 1, that hold shown control characters other than the expected ones."""
    signs = [sign.encode() for sign in _CONTROL.values() if sign not in expected]
    found = [match.start() for match in re.finditer(b"|".join(signs), body)]
    return tuple(np.unique(np.searchsorted(starts, found, side="right")).tolist())


def _repaired(data: bytes, encoding: str) -> tuple[str, tuple[tuple[int, int, str], ...]]:
    """Decode line by line, writing bytes outside the encoding as \\xNN."""
    wide = encoding.startswith("utf-16")
    if wide:
        # code units without a character (lone surrogates, half a unit at the end)
        text = data.decode(encoding, "replace")
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        places = [(n, line.index("\ufffd") + 1, "\ufffd") for n, line in enumerate(lines, 1)
                  if "\ufffd" in line]  # fmt: skip
        return text, tuple(places)
    lines_out, places = [], []
    whole = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    for number, line in enumerate(whole.split(b"\n"), 1):
        try:
            lines_out.append(line.decode(encoding))
        except UnicodeDecodeError as problem:
            place = len(line[: problem.start].decode(encoding)) + 1
            places.append((number, place, f"\\x{line[problem.start]:02x}"))
            lines_out.append(line.decode(encoding, "backslashreplace"))
    return "\n".join(lines_out), tuple(places)
