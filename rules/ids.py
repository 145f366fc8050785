"""Ids that depend on content alone."""

from __future__ import annotations

import hashlib

SEPARATOR = "\x1f"
"""Between parts, so that ("ab", "c") and ("a", "bc") differ."""


def short(*parts: str, length: int = 10) -> str:
    """Return the first `length` hex digits of the SHA-256 of `parts`."""
    return hashlib.sha256(SEPARATOR.join(parts).encode()).hexdigest()[:length]
