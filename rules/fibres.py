"""Fibre types, their mode, and which wavelengths belong to them."""

from __future__ import annotations

import pandas as pd

MULTIMODE = ("OM1", "OM2", "OM3", "OM4", "OM5")
SINGLE_MODE = ("OS1", "OS1a", "OS2")

USUAL_WAVELENGTHS = {"multimode": (850, 1300), "single-mode": (1310, 1550)}
"""Tested where a plan row names none: ANSI/TIA-568.0/.3 backbone rule, from memory."""


def is_multimode(fibre_type: pd.Series) -> pd.Series:
    """Tell row by row whether a fibre type is multimode."""
    return fibre_type.isin(MULTIMODE)


def nominal(wavelength_nm: pd.Series, multimode: pd.Series) -> pd.Series:
    """Return the planned name of a stored window: 1300 on multimode, 1310 on single-mode.

    Sources print either figure for the one window around 1300 nm; the fibre decides its name.
    """
    second_window = wavelength_nm.isin((1300, 1310))
    return wavelength_nm.mask(second_window & multimode, 1300).mask(
        second_window & ~multimode, 1310
    )
