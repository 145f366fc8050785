"""Columns as numpy arrays: codes of texts, groups of rows, and back to text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def codes(column: pd.Series, sort: bool = False) -> tuple[Ints, Any]:
    """Number the distinct texts of a column; return the numbers and the texts.

    With `sort` the numbers follow the order of the texts, so that they do not depend on rows.
    """
    numbers, texts = pd.factorize(column, sort=sort)
    return numbers.astype("int64"), np.asarray(texts, dtype=object)


def ranked(key: Ints) -> Ints:
    """Number the distinct values of a key in their order, from 0."""
    return pd.factorize(key, sort=True)[0].astype("int64")


def combined(*keys: Ints) -> Ints:
    """Number the distinct combinations of keys in their order, from 0."""
    number = np.zeros(len(keys[0]), dtype="int64")
    for key in keys:
        if len(key) == 0:
            return number
        distance = key - key.min()
        span = int(distance.max()) + 1
        if (int(number.max()) + 1) > 2**62 // span:
            number = ranked(number)
        number = number * span + distance
    return ranked(number)


def texts(values: Sequence[str], numbers: Ints, index: pd.Index | None = None) -> pd.Series:
    """Return a text column that holds `values[number]` for each number."""
    listed = pd.array(list(values), dtype="str")
    return pd.Series(listed.take(numbers), index=index)


def starts(keys: Ints) -> Flags:
    """Mark where a sorted key changes; the first row is always marked."""
    marks = np.ones(len(keys), dtype="bool")
    marks[1:] = keys[1:] != keys[:-1]
    return marks


def occurrence(keys: Ints) -> Ints:
    """Number equal keys 0, 1, 2 … in row order."""
    order = np.argsort(keys, kind="stable")
    begins = starts(keys[order])
    place = np.arange(len(keys), dtype="int64")
    first = np.maximum.accumulate(np.where(begins, place, 0))
    out = np.empty(len(keys), dtype="int64")
    out[order] = place - first
    return out
