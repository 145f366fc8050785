"""What an evaluation region by region comes to, on the way and at its end (`ingest.partwise`)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ingest.territory import Territory
from rules.columns import Ints
from rules.evaluation import Plan, RunSheets
from rules.pairing import Lost, Pairing
from rules.parts import Part
from rules.preparation import Prepared

Dumps = frozenset[str]
"""Some dumps, by their hashes."""


@dataclass(frozen=True)
class Tried:
    """Dumps whose records are paired."""

    dumps: Dumps
    ids: pd.Series
    """Their readings, and the row number of each in the store."""
    rows: Ints
    sheet_ids: list[str]
    sheets: RunSheets
    ready: Prepared
    paired: Pairing
    ties: pd.DataFrame
    """TIES of dumps with the cells near which their records may stand."""
    cells: Ints

    @property
    def lost(self) -> Lost:
        """Return the names that the plan lacks, as their records typed them."""
        return self.paired.memory.lost if self.paired.memory else ({}, {})


@dataclass(frozen=True)
class Made:
    """Regions evaluated together: their tables as `pack` wrote them, and what is remembered."""

    packed: Any
    regions: tuple[str, ...]
    memories: Mapping[str, bytes]


@dataclass(frozen=True)
class Outcome:
    """What changed: regions made and regions gone, and all that is held now."""

    made: tuple[Made, ...]
    gone: tuple[str, ...]
    """Regions that were held before and are made anew or are no more."""
    standing: Ints
    """Cells of theirs of whose links all that is written stands."""
    plan: Plan
    now: Territory
    before: Territory
    whole: bool
    """Whether nothing of an earlier evaluation stands."""
    findings: pd.DataFrame
    questions: pd.DataFrame
    """What is asked once in the whole job."""


Pack = Callable[[Part, pd.Series, Ints, pd.Series, pd.Series], Any]
"""Write down the tables of a part, given the ids of its readings, their row numbers, the links of
which all that is written stands, and those before which, in order, links come that are not of the
part."""


@dataclass(frozen=True)
class Judged:
    """What dumps that were evaluated together come to."""

    cells: Ints
    """Those near which their records may stand."""
    lost: Lost
    """Names that the plan lacks, as their records typed them."""
    made: Made
    held: Mapping[str, pd.DataFrame]
    """What their regions hold, by the names of `territory.HELD`."""
    standing: Ints
    """Cells of links without readings of which all that is written stands."""
    settled: Mapping[str, Dumps]
    """The dumps of each region that has any."""
