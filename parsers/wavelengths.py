"""Printed wavelengths to nanometres and to their nominal window."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers.numbers import grammar, number
from parsers.profile_parts import Numbers

WINDOWS = (
    (850, 830, 870),
    (953, 940, 966),
    (1300, 1270, 1340),
    (1310, 1270, 1340),
    (1383, 1374, 1392),
    (1490, 1480, 1500),
    (1550, 1525, 1575),
    (1625, 1610, 1640),
)
"""Nominal wavelength, lowest and highest stored one that counts as it, in nm. Common practice, no
source. 1300 and 1310 share a window: which of them a link needs is a matter of its fibre, which a
dump does not know, so the nearer one is taken (the higher at 1305)."""

LOWEST_NM, HIGHEST_NM = 600, 1700
"""Outside this no fibre test of this trade is made. Common practice, no source."""
_MICROMETRE = re.compile(r"\s*(?:µm|μm|um)$", re.IGNORECASE)
_NANOMETRE = re.compile(r"\s*nm$", re.IGNORECASE)


def nominal(wavelength_nm: float) -> int:
    """Return the nominal wavelength for a stored one, or itself rounded outside every window.

    0 where it is no wavelength of the trade.
    """
    if not LOWEST_NM <= wavelength_nm <= HIGHEST_NM:
        return 0
    near = [w for w in WINDOWS if w[1] <= wavelength_nm <= w[2]]
    if not near:
        return round(wavelength_nm)
    return min(near, key=lambda w: (abs(w[0] - wavelength_nm), -w[0]))[0]


def printed_nm(text: str, numbers: Numbers, unit: str = "nm") -> float:
    """Return the nanometres that `text` prints (`1310`, `1310nm`, `1.31 µm`), else NaN."""
    for pattern, suffix in ((_NANOMETRE, "nm"), (_MICROMETRE, "um")):
        bare, found = pattern.subn("", text)
        if found:
            text, unit = bare, suffix
            break
    value = number(text, numbers, grammar(numbers))
    return value * 1000 if unit == "um" and not math.isnan(value) else value


def read(
    cells: pd.Series, numbers: Numbers, unit: str, words: Mapping[str, str]
) -> NDArray[np.int64]:
    """Return the nominal wavelength of each cell; 0 where there is none or it is unreadable."""
    codes, uniques = pd.factorize(cells)
    found = []
    for text in uniques.tolist():
        value = printed_nm(words.get(text, text), numbers, unit)
        found.append(0 if math.isnan(value) else nominal(value))
    return np.array(found, np.int64)[codes]
