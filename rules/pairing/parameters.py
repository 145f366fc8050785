"""What pairing takes for granted about crews and keypads; a job may replace it by its own fit."""

from __future__ import annotations

from dataclasses import dataclass

Calibration = tuple[tuple[tuple[float, float], ...], ...]
"""Per stratum of the gate: (log2 odds from here on, share right), rising."""

CALIBRATION: Calibration = (
    ((-20.0, 0.5), (0.0, 0.9977), (1.5, 0.99927), (3.0, 0.99993), (10.0, 0.99997), (12.0, 0.99999)),
    ((-20.0, 0.5), (0.0, 0.96429), (1.5, 0.99583), (3.0, 0.99785), (4.5, 0.99989)),
    (
        (-20.0, 0.5),
        (0.0, 0.7),
        (1.5, 0.9375),
        (3.0, 0.93972),
        (4.5, 0.97324),
        (7.0, 0.97697),
        (8.0, 0.99592),
        (9.0, 0.99853),
        (10.0, 0.99968),
        (12.0, 0.99992),
    ),
    (
        (-20.0, 0.9),
        (0.0, 0.99476),
        (1.5, 0.99849),
        (8.0, 0.99935),
        (9.0, 0.99965),
        (10.0, 0.99997),
        (12.0, 0.99999),
    ),
    ((-20.0, 0.5), (0.0, 0.975), (1.5, 0.97942), (6.0, 0.99721), (12.0, 0.99939)),
    (
        (-20.0, 0.5),
        (0.0, 0.925),
        (1.5, 0.92857),
        (3.0, 0.95388),
        (4.5, 0.95562),
        (7.0, 0.96964),
        (8.0, 0.98908),
        (10.0, 0.99822),
        (12.0, 0.99961),
    ),
    (
        (-20.0, 0.5),
        (0.0, 0.62562),
        (1.5, 0.89337),
        (3.0, 0.95192),
        (4.5, 0.98244),
        (6.0, 0.98872),
        (7.0, 0.99367),
        (8.0, 0.99594),
        (9.0, 0.99973),
    ),
    (
        (-20.0, 0.5),
        (0.0, 0.70339),
        (1.5, 0.89378),
        (3.0, 0.90485),
        (4.5, 0.93556),
        (6.0, 0.98649),
        (8.0, 0.98718),
        (9.0, 0.99476),
        (12.0, 0.99835),
    ),
    (
        (-20.0, 0.5),
        (0.0, 0.51136),
        (1.5, 0.70574),
        (3.0, 0.82067),
        (4.5, 0.86336),
        (6.0, 0.89593),
        (12.0, 0.97222),
    ),
    (
        (-20.0, 0.87379),
        (3.0, 0.95151),
        (4.5, 0.95499),
        (7.0, 0.98594),
        (9.0, 0.99376),
        (10.0, 0.99902),
    ),
    (
        (-20.0, 0.75),
        (0.0, 0.86702),
        (1.5, 0.91),
        (3.0, 0.93152),
        (8.0, 0.99206),
        (9.0, 0.99419),
        (12.0, 0.9977),
    ),
    (
        (-20.0, 0.75),
        (0.0, 0.7562),
        (1.5, 0.86184),
        (3.0, 0.90121),
        (4.5, 0.91689),
        (10.0, 0.93275),
        (12.0, 0.96341),
    ),
    ((-20.0, 0.5), (0.0, 0.9359), (3.0, 0.96845), (6.0, 0.98999), (12.0, 0.99665)),
    ((-20.0, 0.5), (1.5, 0.84463), (9.0, 0.9), (10.0, 0.97712)),
    ((-20.0, 0.5), (0.0, 0.72353), (4.5, 0.84696)),
    (
        (-20.0, 0.875),
        (0.0, 0.89893),
        (3.0, 0.97259),
        (4.5, 0.9741),
        (7.0, 0.97826),
        (8.0, 0.98683),
        (12.0, 0.98818),
    ),
    ((-20.0, 0.375), (0.0, 0.67857), (3.0, 0.70822), (9.0, 0.86823)),
    ((-20.0, 0.5875), (1.5, 0.615), (6.0, 0.63404), (10.0, 0.70101), (12.0, 0.81148)),
    ((-20.0, 0.35088), (1.5, 0.38057), (6.0, 0.38923), (8.0, 0.49079), (9.0, 0.5193)),
)
"""From simulated crews of every care (`scripts/pairing_study.py --tune`)."""


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
