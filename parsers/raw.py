"""What a layout's reader hands to the shared path: raw cells with their places, and the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers.profile_parts import Table


class Fault(NamedTuple):
    """One fault of a dump before it gets the dump's name; see table FAULTS."""

    line: int
    column: int
    code: str
    found: str
    expected: str
    remedy: str = ""


class Mark(NamedTuple):
    """Where a span of lines went other than into readings."""

    line: int
    end_line: int
    kind: str
    why: str


class Noted(NamedTuple):
    """One thing that the dump says of itself."""

    line: int
    key: str
    value: str


@dataclass(frozen=True)
class Rows:
    """The raw cells of one table; every cell is text as printed, without outer blank space."""

    table: Table
    cells: pd.DataFrame
    """One column per title that the profile uses, each of type `str`."""
    first: NDArray[np.int64]
    """Line, sheet row or element, from 1, with which each row begins."""
    last: NDArray[np.int64]
    """… and ends; other things may stand between."""
    places: Mapping[str, NDArray[np.int64] | int]
    """1-based character or cell of each column, 0 where it has none."""
    lines: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)
    """Line of a column's cell where it is not the row's first."""

    def __len__(self) -> int:
        return len(self.first)


@dataclass
class Raw:
    """Everything a layout's reader found; filled while reading, then only read."""

    size: int = 0
    """How many lines, sheet rows or elements the dump has."""
    unit: Literal["line", "row", "element"] = "line"
    encoding: str = ""
    rows: list[Rows] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    context: list[Noted] = field(default_factory=list)
    carried: dict[str, list[tuple[int, str, str]]] = field(default_factory=dict)
    """Per field: (line, value, wavelength as printed or empty) in order of lines."""
