"""Stored wavelengths to nominal ones, by window and fibre type."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from rules import fibres
from rules.settings import Window

MODES = ("any", "multimode", "single-mode")


def nominal(
    stored_nm: np.ndarray, fibre_types: Sequence[str], number: np.ndarray,
    windows: Sequence[Window],
) -> np.ndarray:  # fmt: skip
    """Return the nominal wavelength of each reading on its fibre, 0 where no window fits.

    stored_nm: int array; the fibre of a reading is `fibre_types[number]`. A fibre of unknown type
    takes any window whose nominal wavelength was stored exactly, else the first that fits.
    """
    mode = np.zeros(len(fibre_types), dtype=np.int64)
    mode[np.isin(fibre_types, fibres.MULTIMODE)] = 1
    mode[np.isin(fibre_types, fibres.SINGLE_MODE)] = 2
    nm, kind = pd.factorize(stored_nm * 3 + mode[number])
    stored, modes = np.divmod(np.asarray(kind, dtype=np.int64), 3)
    out = np.zeros(len(stored), dtype=np.int64)
    for window in windows:
        fits = (stored >= window.low_nm) & (stored <= window.high_nm)
        fits &= (modes == MODES.index(window.mode)) | (modes == 0) | (window.mode == "any")
        out = np.where((out == 0) & fits, window.nominal_nm, out)
    exact = np.isin(stored, [w.nominal_nm for w in windows]) & (modes == 0)
    return np.where(exact, stored, out)[nm]
