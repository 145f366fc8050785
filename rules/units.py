"""Levels and losses: dBm is a power against 1 mW, dB a ratio (ISO 80000-15, IEC 60027-3)."""

from __future__ import annotations

import numpy as np

from rules.columns import Floats


def dbm(power_mw: Floats | float) -> Floats:
    """Return the level in dBm of a power in mW: 10 log10(P / 1 mW); no power gives -inf."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(power_mw), np.float64)


def lanes_dbm(lane_dbm: Floats | float, lanes: int) -> Floats:
    """Return what a meter without a filter reads where `lanes` equal lanes share the fibre."""
    return np.asarray(lane_dbm + dbm(float(lanes)), np.float64)
