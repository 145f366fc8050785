"""Checks of single values and of the column they stand in: sign, unit, decimals, physics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import robust, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Flags, Floats, Ints

LEAST = 5
"""Fewest values of a run and wavelength from which their column is judged."""
POWER_LOW_DBM = -60.0
"""Light sources for this work give −3 to −30 dBm; meters end near −60. Common practice."""

LEAST_USUAL_DB = 0.2
"""Even the shortest link loses about this much in its connections."""


@dataclass(frozen=True)
class Columns:
    """What is wrong with whole runs and wavelengths; one flag per track."""

    power: Flags
    sign: Flags
    decimal: Flags
    median: Floats

    def spoilt(self, track: Ints) -> Flags:
        """Tell which readings stand in a column that is wrong as a whole."""
        flags = self.power | self.sign | self.decimal
        return np.append(flags, False)[track] if flags.any() else np.zeros(len(track), "bool")


def columns(context: Context) -> Columns:
    """Judge each run and wavelength as a column of values."""
    track, tracks, loss = context.track, context.tracks, context.loss
    median = robust.medians(track, loss, tracks)
    n = np.bincount(track[track >= 0], minlength=tracks)
    with np.errstate(invalid="ignore", divide="ignore"):
        negative = np.bincount(track[loss < 0], minlength=tracks) / n
        enough = n >= LEAST
        # the expected loss is looked at only where the values are strange
        high = enough & (median > context.threshold("decimal_factor") * LEAST_USUAL_DB)
        low = enough & (negative > context.threshold("sign_share"))
        strange = np.flatnonzero(np.append(high | low, False)[track])  # −1 leads to the end
        usual_db = context.expected[strange]
        expected = robust.medians(track[strange], usual_db, tracks)
        turned = robust.medians(track[strange], np.abs(np.abs(loss[strange]) - usual_db), tracks)
        near = turned < np.maximum(0.5, 0.3 * np.abs(expected))
        sign = low & near & (median < -0.05)
        power = enough & ~sign & (median < context.threshold("power_as_loss_db"))
        power &= median > POWER_LOW_DBM
        usual = np.maximum(expected, LEAST_USUAL_DB)
        decimal = high & (median > context.threshold("decimal_factor") * usual)
    return Columns(power, sign, decimal, median)


@check("power-as-loss", "sign-turned", "decimal-lost", "unit-mixed", "loss-negative", "loss-zero",
       "below-physics")  # fmt: skip
def values(context: Context) -> pd.DataFrame:
    """Judge columns first, then the single values of columns that are right as a whole."""
    if not context.tracks:
        return suspicions.none()
    judged = columns(context)
    lanes = len(context.lanes)
    found = []
    for code, flags, text in (
        ("power-as-loss", judged.power, "half of the values lie below {0:.1f} dB: power levels"),
        ("sign-turned", judged.sign, "nearly all values are negative (median {0:.2f} dB) and would "
         "be right with the other sign"),
        ("decimal-lost", judged.decimal, "the median is {0:.1f} dB, many times the expected loss"),
    ):  # fmt: skip
        tracks = np.flatnonzero(flags)
        found.append(
            wording.of_runs(context, code, tracks // lanes,
                            [text.format(judged.median[t]) for t in tracks], tracks % lanes)
        )  # fmt: skip
    good = (context.track >= 0) & ~judged.spoilt(context.track)
    return suspicions.join(*found, _mixed(context, judged, good), _low(context, good))


def _mixed(context: Context, judged: Columns, good: Flags) -> pd.DataFrame:
    """Find single values of another unit or scale than the rest of their column."""
    loss = context.loss
    mixed = np.flatnonzero(good & (loss < context.threshold("power_as_loss_db")))
    middle = judged.median[context.track[mixed]]
    mixed, middle = mixed[middle > -1.0], middle[middle > -1.0]
    lost = np.flatnonzero(good & (loss >= 10.0))
    lost = lost[np.abs(loss[lost] - np.rint(loss[lost])) < 0.0005]
    usual = context.expected[lost]
    lost = lost[np.abs(loss[lost] / 100.0 - usual) < 0.5 * usual]
    return suspicions.join(
        wording.of_readings(
            context, "unit-mixed", mixed,
            [f"{loss[r]:.2f} dB where the run's median is {m:.2f} dB"
             for r, m in zip(mixed, middle, strict=True)],
        ),
        wording.of_readings(
            context, "decimal-lost", lost,
            [f"{loss[r]:.0f} dB; {context.expected[r]:.2f} dB is expected" for r in lost],
        ),
    )  # fmt: skip


def _low(context: Context, good: Flags) -> pd.DataFrame:
    """Find values that are negative, zero, or below what the fibre alone loses."""
    loss = np.round(context.loss, 4)
    cords = context.method > 1
    with np.errstate(invalid="ignore"):
        plausible = good & (loss > context.threshold("power_as_loss_db"))
        zero = np.flatnonzero(good & (np.abs(loss) < 0.0005))
        warn = np.where(cords, context.threshold("negative_cords_warn_db"),
                        context.threshold("negative_warn_db"))  # fmt: skip
        stop = np.where(cords, context.threshold("negative_cords_stop_db"),
                        context.threshold("negative_stop_db"))  # fmt: skip
        negative = np.flatnonzero(plausible & (loss < warn) & (np.abs(loss) >= 0.0005))
        fibre = context.fibre
        share = context.threshold("physics_share")
        thin = good & (fibre > context.threshold("physics_least_db")) & (loss < share * fibre)
    low = np.flatnonzero(thin & (np.abs(loss) >= 0.0005) & (loss >= warn))
    return suspicions.join(
        wording.of_readings(
            context, "loss-negative", negative,
            [f"{loss[r]:.2f} dB with a reference of "
             f"{'two or three cords' if cords[r] else 'one cord'}" for r in negative],
            severity=np.where(loss[negative] < stop[negative], "stop", "check"),
        ),
        wording.of_readings(
            context, "loss-zero", zero, ["0.00 dB"] * len(zero),
            severity=np.where(cords[zero], "check", "stop"),
        ),
        wording.of_readings(
            context, "below-physics", low,
            [f"{loss[r]:.2f} dB; the fibre alone loses about {fibre[r]:.2f} dB" for r in low],
        ),
    )  # fmt: skip


@check("no-light", "over-range", "not-measured")
def states(context: Context) -> pd.DataFrame:
    """Name readings that hold a state instead of a value."""
    state = context.working["state"]
    told = context.single & (context.working["quantity"] != "reference").to_numpy()
    texts = {
        "no-light": ("no-light", "no light was seen; range, wavelength or modulation may hide it"),
        "under-range": ("no-light", "the level lies below the meter's range"),
        "over-range": ("over-range", "the level lies above the meter's range"),
        "not-measured": ("not-measured", "no value was stored"),
    }
    found = []
    for name, (code, text) in texts.items():
        rows = np.flatnonzero(told & (state == name).to_numpy())
        found.append(wording.of_readings(context, code, rows, [text] * len(rows)))
    return suspicions.join(*found)


@check("power-outside-range")
def power_range(context: Context) -> pd.DataFrame:
    """Find power levels outside the range on the register."""
    meters = {i.serial: i for i in context.settings.instruments if i.kind != "source"}
    known = context.runs["meter_serial"].map(lambda serial: meters.get(serial))
    low = np.array([i.minimum_dbm if i and i.minimum_dbm is not None else -np.inf for i in known])
    high = np.array([i.maximum_dbm if i and i.maximum_dbm is not None else np.inf for i in known])
    if not len(known) or not (np.isfinite(low).any() or np.isfinite(high).any()):
        return suspicions.none()
    power = np.where(context.single & context.ok, context.working["power_dbm"].to_numpy(), np.nan)
    with np.errstate(invalid="ignore"):
        out = (power < low[context.run]) | (power > high[context.run])
    rows = np.flatnonzero(out)
    return wording.of_readings(
        context, "power-outside-range", rows,
        [f"{power[r]:.1f} dBm; the meter reaches from {low[context.run[r]]:.0f} to "
         f"{high[context.run[r]]:.0f} dBm" for r in rows],
    )  # fmt: skip


@check("values-coarse")
def coarse(context: Context) -> pd.DataFrame:
    """Note runs whose values are all whole steps of 0.1 dB."""
    track, tracks = context.track, context.tracks
    kept = track >= 0
    tenths = context.loss[kept] * 10.0
    whole = np.abs(tenths - np.rint(tenths)) < 0.005
    n = np.bincount(track[kept], minlength=tracks)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.bincount(track[kept], whole, tracks) / n
        hit = (share > context.threshold("coarse_share")) & (
            n >= context.threshold("coarse_values")
        )
    at = np.flatnonzero(hit)
    return wording.of_runs(
        context, "values-coarse", at // max(len(context.lanes), 1),
        [f"{share[t]:.0%} of {n[t]} values end on a tenth" for t in at],
        at % max(len(context.lanes), 1),
    )  # fmt: skip
