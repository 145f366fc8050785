"""What pairing takes for granted about crews and keypads; a job may replace it by its own fit."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass

from rules import shipped

Knots = Sequence[Sequence[float]]
"""Pairs of log2 odds from here on and the share that was right, rising."""
Calibration = tuple[tuple[str, Knots], ...]
"""Knots by stratum of the gate."""


def _shipped() -> Calibration:
    found: dict[str, Knots] = tomllib.loads(shipped.text("pairing.toml"))["calibration"]
    return tuple((name, tuple((at, share) for at, share in knots)) for name, knots in found.items())


CALIBRATION = _shipped()
"""From simulated crews of every care (`scripts/pairing_study.py --tune`)."""


def knots(calibration: Calibration) -> dict[str, Knots]:
    """Return knots by stratum; those of a fit that knew other strata give way to the shipped."""
    named = all(len(row) == 2 and isinstance(row[0], str) for row in calibration)
    return dict(calibration if named else CALIBRATION)


@dataclass(frozen=True)
class Parameters:
    """Rates per record unless said otherwise; weights in bits (log2 of a likelihood).

    Shipped values are engineering priors, tried on simulated crews (no published source); the
    job's own fit replaces them.
    """

    skip: float = 0.008
    """A port is passed over."""
    slip_after_skip: float = 0.2
    """A counting meter keeps counting over a skipped port."""
    slip: float = 0.0008
    """The label counter moves by one on its own."""
    notice: float = 0.1
    """A crew notices that the labels are off."""
    retest: float = 0.03
    wrong_panel: float = 0.01
    """Per change of panel: the label keeps the last panel's name."""
    overrun: float = 0.015
    """Per change of panel: the label counts on past the panel's end."""
    exact_bits: float = -0.1
    normalised_bits: float = -1.0
    other_end_bits: float = -3.0
    """A full label of an end instead of the link's."""
    tail_bits: float = -5.0
    """A shortened label."""
    edit_bits: float = -9.0
    """The first wrong sign of a label."""
    known_bits: float = 4.0
    """What it counts against a slip that it would have hit upon another planned label."""
    more_edits_bits: float = -7.0
    unrelated_bits: float = -22.0
    """A label that has nothing to do with the link."""
    noted_bits: float = -12.0
    """A reading of a port that the crew noted as skipped."""
    missing_bits: float = -8.0
    outside_bits: float = -14.0
    """Something outside the plan, under a label the plan does not know."""
    outside_known_bits: float = -20.0
    """Something outside the plan, under a label of the plan."""
    claim_floor_bits: float = -4.0
    """Most that another claim on the same link may count against a record."""
    order: bool = True
    shift: bool = True
    one_to_one: bool = True
    physics: bool = True
    """Kinds of evidence, each of which can be switched off."""
    sweeps: bool = True
    """Take whole panels under their planned labels as they are, without weighing them."""
    calibration: Calibration = CALIBRATION
    fitted_at: str = ""
    """Journal time of the fit; empty for the shipped values."""
