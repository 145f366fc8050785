"""Vocabularies: the closed sets of words that tables, settings and documents share.

Every set is a tuple of plain strings so that a table can hold them and a reader can read them.
Codes of faults, findings and questions live in the sibling modules, one registry each.
"""

from __future__ import annotations

from dataclasses import dataclass

QUANTITIES = ("power", "attenuation", "reference", "length")
STATES = ("ok", "under-range", "over-range", "no-light", "not-measured", "unreadable")
DIRECTIONS = ("a-b", "b-a")
CLOCK_STATES = ("ok", "ambiguous", "reset", "corrected", "none")
ORDER_BASES = ("clock", "slot", "file", "run-sheet", "none")
PAIR_STATUSES = ("paired", "question", "outside-plan", "duplicate", "left-out")
PAIR_HOWS = ("exact", "normalised", "inferred", "answered")
SEVERITIES = ("stop", "check", "note")
GRADES = (
    "pass",
    "conditional-pass",
    "conditional-fail",
    "fail",
    "no-limit",
    "no-reference",
    "blocked",
    "superseded",
)
FAILING = ("fail", "conditional-fail")
"""Grades of a result over its limit."""
SCOPES = ("job", "building", "floor", "area", "cable", "panel")
KINDS = (
    "link",
    "cord",
    "cord-check",
    "power",
    "splitter",
    "access",
    "continuity",
    "polarity",
)
FIBRE_TYPES = ("OM1", "OM2", "OM3", "OM4", "OM5", "OS1", "OS1a", "OS2")
ENVIRONMENTS = ("inside", "indoor-outdoor", "outside")
CORD_GRADES = ("reference", "standard", "")


@dataclass(frozen=True)
class Code:
    """One stable code with the words that documents and screens show for it."""

    slug: str
    severity: str
    """`stop`, `check` or `note` for findings; empty for faults and questions."""
    meaning: str
    remedy: str
    origin: str = "common practice, no source"
    """Where the rule or its threshold comes from."""


def registry(*codes: Code) -> dict[str, Code]:
    """Index codes by slug; raise ValueError on a slug given twice."""
    by_slug = {code.slug: code for code in codes}
    if len(by_slug) != len(codes):
        raise ValueError("a code is registered twice")
    return by_slug
