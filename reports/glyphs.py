"""Keep every character of a label visible on paper, whatever its script.

The printing fonts draw Latin, Greek and Cyrillic. Anything else would come out as an empty box,
which an archival document must not hold, so it is written as its code point instead.
"""

from __future__ import annotations

import re

DRAWN = (
    (0x0A, 0x0A), (0x20, 0x7E), (0xA0, 0x17F), (0x192, 0x192), (0x1C0, 0x1C3), (0x1FA, 0x1FF),
    (0x218, 0x21B),
    (0x2C6, 0x2C7), (0x2D8, 0x2DD), (0x386, 0x386), (0x388, 0x38A), (0x38C, 0x38C),
    (0x38E, 0x3A1), (0x3A3, 0x3CE), (0x400, 0x45F), (0x490, 0x491), (0x2010, 0x2014),
    (0x2018, 0x201A), (0x201C, 0x201E), (0x2020, 0x2022), (0x2026, 0x2026), (0x202F, 0x202F),
    (0x2030, 0x2030), (0x2032, 0x2033), (0x2039, 0x203A), (0x20AC, 0x20AC), (0x2116, 0x2116),
    (0x2122, 0x2122), (0x2190, 0x2193), (0x2194, 0x2194), (0x2212, 0x2212), (0x2248, 0x2248),
    (0x2260, 0x2260), (0x2264, 0x2265),
)  # fmt: skip
"""Ranges of code points that the printing fonts hold; a test prints every one of them."""

_OTHER = re.compile("[^" + "".join(f"{chr(a)}-{chr(b)}" if a != b else re.escape(chr(a))
                                   for a, b in DRAWN) + "]")  # fmt: skip


def printable(text: str) -> str:
    """Write characters that the fonts cannot draw as `⟨U+4E2D⟩` in plain brackets."""
    return _OTHER.sub(lambda match: f"<U+{ord(match.group()):04X}>", text)
