"""Stored wavelengths to nominal ones, by window and fibre type."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rules import fibres
from rules.settings import Window


def nominal(
    stored_nm: np.ndarray, fibre_types: np.ndarray, windows: Sequence[Window]
) -> np.ndarray:
    """Return the nominal wavelength of each reading on its fibre, 0 where no window fits.

    stored_nm: int array; fibre_types: text array of the same length. A fibre of unknown type
    takes any window whose nominal wavelength was stored exactly, else the first that fits.
    """
    modes = np.full(len(fibre_types), "", dtype=object)
    modes[np.isin(fibre_types, fibres.MULTIMODE)] = "multimode"
    modes[np.isin(fibre_types, fibres.SINGLE_MODE)] = "single-mode"
    out = np.zeros(len(stored_nm), dtype=np.int64)
    for window in windows:
        fits = (stored_nm >= window.low_nm) & (stored_nm <= window.high_nm)
        fits &= (modes == window.mode) | (modes == "") | (window.mode == "any")
        out = np.where((out == 0) & fits, window.nominal_nm, out)
    exact = np.isin(stored_nm, [w.nominal_nm for w in windows]) & (modes == "")
    return np.where(exact, stored_nm, out)
