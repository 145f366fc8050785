"""What there is to account for in a dump, counted apart from any layout's reader."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from parsers import grids, text, trees


def blank(data: bytes, unit: str, encoding: str = "") -> NDArray[np.bool_] | None:
    """Tell for each line, sheet row or element of `data` whether it is blank.

    None where the bytes are not of a kind that has such units.
    """
    if unit == "line":
        return text.blank_lines(*text.split(data, encoding))
    if unit == "row":
        book = grids.read(data)
        return None if isinstance(book, grids.Refused) else ~book.filled
    found = trees.count(data)
    return None if found is None else np.zeros(found, np.bool_)
