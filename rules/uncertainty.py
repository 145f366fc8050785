"""The uncertainty of a reading: a budget of independent parts, added as squares (JCGM 100).

The parts are those that IEC TR 61282-14 lists for a source and a meter; their sizes are settings
(`rules.settings.Uncertainty`), engineering defaults without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from rules.columns import Flags, Floats, Ints
from rules.fibres import MULTIMODE
from rules.settings import Settings

MATINGS_ANEW = {1: 2, 2: 3, 3: 4, 0: 4}
"""Matings that differ between reference and measurement, by number of test cords.

Both link ends, and those of the reference itself that were taken apart (one with two cords, two
with three): IEC 61280-4-1, reference methods. An unknown method counts as the worst."""

SINGLE_MATING = ("cord", "cord-check", "power")
"""Kinds that measure through one connection."""

SHRINKING = ("mating", "resolution")
"""Parts that are drawn anew for each direction, so that the mean of two halves their squares."""


@dataclass(frozen=True)
class Circumstances:
    """What the budget of each reading depends on; arrays of equal length."""

    absolute: Flags
    """The value is a power in dBm, not a loss."""
    multimode: Flags
    method: Ints
    standard_cords: Flags
    """Test cords of standard grade (unknown grade counts as standard)."""
    single_mating: Flags
    """One connection only: a cord's end, a cord check, a power at a port."""
    mean: Flags
    """The value is the mean of both directions."""
    calibration_db: Floats
    """Standard uncertainty of the meter's calibration; enters absolute power only."""


def parts(of: Circumstances, settings: Settings) -> dict[str, tuple[Floats, Floats]]:
    """Return for each part its standard uncertainty once, in dB, and how often it enters."""
    u = settings.uncertainty
    once = np.ones(len(of.method))
    mating = np.where(of.multimode, u.mating_multimode_db, u.mating_single_mode_db)
    mating = mating * np.where(of.standard_cords, u.mating_standard_factor, 1.0)
    matings = np.select([of.method == m for m in (1, 2, 3)],
                        [MATINGS_ANEW[m] for m in (1, 2, 3)], MATINGS_ANEW[0])  # fmt: skip
    relative = np.where(of.absolute, 0.0, 1.0)
    return {
        # a loss compares two moments of one source; an absolute power is what it is
        "source drift": (u.source_drift_db * once, relative),
        "meter linearity": (u.meter_linearity_db * once, once),
        "mating": (mating, np.where(of.single_mating, 1.0, matings)),
        "launch": (
            np.where(of.multimode, u.launch_multimode_db, u.launch_single_mode_db), relative,
        ),
        # the reference was stored with the same step as the reading
        "resolution": (u.resolution_db / np.sqrt(12) * once, 1.0 + relative),
        "calibration": (of.calibration_db, 1.0 - relative),
    }  # fmt: skip


def standard(of: Circumstances, settings: Settings) -> Floats:
    """Return the combined standard uncertainty u in dB: root of the sum of squares (JCGM 100)."""
    total: Floats = np.zeros(len(of.method))
    for name, (each, times) in parts(of, settings).items():
        halved = np.where(of.mean, 0.5, 1.0) if name in SHRINKING else 1.0
        total += each**2 * times * halved
    root: Floats = np.sqrt(total, dtype=np.float64)
    return root


def budget(of: Circumstances, settings: Settings, row: int = 0) -> list[dict[str, Any]]:
    """Return the budget of one reading as rows: part, each_db (k = 1), count, u_db, share."""
    u = float(standard(of, settings)[row])
    rows = []
    for name, (each, times) in parts(of, settings).items():
        count = float(times[row]) * (0.5 if name in SHRINKING and of.mean[row] else 1.0)
        own = float(each[row]) * count**0.5
        if count:
            rows.append(
                {"part": name, "each_db": float(each[row]), "count": count, "u_db": own,
                 "share": own**2 / u**2 if u else 0.0}
            )  # fmt: skip
    return rows


def of_result(
    result: Mapping[str, Any], settings: Settings, meter_serial: str = ""
) -> list[dict[str, Any]]:
    """Return the budget of one row of GRADES, given as a mapping, in the form of `budget`."""
    loss = result.get("loss_db")
    absolute = loss is None or bool(np.isnan(loss))
    fibre, nm = result["fibre_type"], result["wavelength_nm"]
    of = Circumstances(
        absolute=np.array([absolute]),
        multimode=np.array([fibre in MULTIMODE if fibre else nm < 1000]),
        method=np.array([result["reference_method"]]),
        standard_cords=np.array([result["cord_grade"] != "reference"]),
        single_mating=np.array([result["kind"] in SINGLE_MATING]),
        mean=np.array([result["direction"] == "mean"]),
        calibration_db=calibration(pd.Series([meter_serial], dtype="str"), settings),
    )
    return budget(of, settings)


def calibration(meter_serial: pd.Series, settings: Settings) -> Floats:
    """Return each meter's calibration as a standard uncertainty in dB.

    A certificate states it expanded, k = 2 (ISO/IEC 17025 practice), so it is halved; the job's
    default is k = 1 already.
    """
    known = {
        i.serial: i.uncertainty_db / 2 for i in settings.instruments if i.uncertainty_db is not None
    }
    if not known:
        return np.full(len(meter_serial), settings.uncertainty.calibration_db)
    own = meter_serial.map(known).fillna(settings.uncertainty.calibration_db)
    return own.to_numpy("float64").astype("float64")
