"""Columns of text that hold few words many times, or hardly repeat."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_SAMPLE = 1000


def texts(words: Sequence[str], codes: NDArray[Any]) -> pd.Series:
    """Return a column of type `str` that holds few words many times."""
    return pd.Series(pd.array(list(words), dtype="str").take(codes))


def distinct(cells: pd.Series) -> tuple[list[str], NDArray[np.intp]]:
    """Return the different texts of a column, and for each cell the index of its own.

    A column whose first cells hardly repeat is returned whole, which is quicker than to sort out.
    """
    if len(cells) > _SAMPLE and cells.iloc[:_SAMPLE].nunique() > _SAMPLE // 2:
        return cells.tolist(), np.arange(len(cells))
    codes, uniques = pd.factorize(cells)
    return uniques.tolist(), codes
