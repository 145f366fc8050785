"""Evidence as text bars: for a question, and for the pairs of one link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from desk.terminal import say

BAR = 24
"""Width of the longest bar of a waterfall, in characters."""


def waterfall(terms: Sequence[Mapping[str, Any]]) -> list[str]:
    """Draw terms as bars about a middle line; a term `total` closes them."""
    longest = max((abs(float(term["weight"])) for term in terms), default=0.0) or 1.0
    lines = []
    for term in terms:
        weight = float(term["weight"])
        length = round(BAR * abs(weight) / longest) if abs(weight) >= 0.05 else 0
        bar = "#" * (max(length, 1) if weight else 0)
        left = f"{bar if weight < 0 else '':>{BAR}}"
        right = f"{bar if weight >= 0 else '':<{BAR}}"
        lines.append(f"  {term['term']:<14}{weight:>+9.1f}  {left}|{right}  {term['text']}")
    return lines


def tell(entries: Sequence[Mapping[str, Any]]) -> None:
    """Print weighed evidence as a waterfall, and the rest, such as neighbours in time, below.

    What stands before a term `total` was weighed, even where it came to nothing.
    """
    names = [entry["term"] for entry in entries]
    weighed = names.index("total") + 1 if "total" in names else 0
    terms = [e for n, e in enumerate(entries) if n < weighed or e["weight"]]
    others = [e for n, e in enumerate(entries) if n >= weighed and not e["weight"]]
    if terms:
        say("\nEvidence in bits; to the right: for what was found, to the left: against it")
        for line in waterfall(terms):
            say(line)
    if others:
        say("\nAs it was stored, and where it is placed")
        for entry in others:
            say(f"  {entry['term']}: {entry['text']}")
