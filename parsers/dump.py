"""What a parser is given and what it gives back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import pandas as pd

from rules import tables


@dataclass(frozen=True)
class Dump:
    """The bytes of one file or one serial capture, as received; no path, no open file."""

    data: bytes
    name: str
    sha256: str
    arrived_at: str = ""
    """ISO UTC; empty when tried out before it was taken."""
    origin: Literal["file", "serial", "page", "command"] = "file"
    complete: bool = True
    """False for a serial capture that ended any other way than agreed."""


@dataclass(frozen=True)
class Match:
    """Whether a parser claims a dump, always with the reason in words."""

    level: Literal["no", "maybe", "yes"]
    reason: str


@dataclass(frozen=True)
class Extract:
    """Everything a parser found in one dump; together it accounts for each non-blank line once."""

    readings: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.EXTRACTED))
    faults: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.FAULTS))
    accounts: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.ACCOUNTS))
    context: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.CONTEXT))
    unit: Literal["line", "row", "element"] = "line"
    """What `line` numbers: lines of text, rows of all sheets in order, or elements in document
    order (every XML element; every JSON object and every list that holds bare values)."""
    encoding: str = ""
    """Encoding by which lines were told apart; needed only for UTF-16 without a mark."""
    questions: tuple[tuple[str, str], ...] = ()
    """(code, sentence) for what is undecidable for the whole dump, such as the order of day and
    month."""


class Parser(Protocol):
    """Reads one layout. `parse` never raises on bad content; an exception is our bug."""

    @property
    def name(self) -> str:
        """A stable slug; stored with every reading."""
        ...

    @property
    def version(self) -> int:
        """Raised when the output for an old dump may change."""
        ...

    def recognise(self, dump: Dump) -> Match:
        """Say whether this parser claims the dump, and why."""
        ...

    def parse(self, dump: Dump) -> Extract:
        """Read the dump; account for every non-blank line exactly once."""
        ...
