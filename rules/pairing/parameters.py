"""What pairing takes for granted about crews and keypads; a job may replace it by its own fit."""

from __future__ import annotations

from dataclasses import dataclass

CALIBRATION: tuple[tuple[tuple[float, float], ...], ...] = (
    (
        (-20.0, 0.5),
        (0.0, 0.62931),
        (1.5, 0.93629),
        (3.0, 0.97139),
        (4.5, 0.98964),
        (6.0, 0.99689),
        (8.0, 0.99919),
        (9.0, 0.99967),
        (10.0, 0.99994),
        (12.0, 0.99998),
    ),
    ((-20.0, 0.5), (0.0, 0.9), (1.5, 0.95642), (7.0, 0.96809), (9.0, 0.97059), (10.0, 0.9883)),
    (
        (-20.0, 0.16667),
        (1.5, 0.73256),
        (4.5, 0.87255),
        (6.0, 0.93636),
        (7.0, 0.99231),
        (8.0, 0.99615),
        (9.0, 0.99675),
        (10.0, 0.99922),
        (12.0, 0.99982),
    ),
    (
        (-20.0, 0.72078),
        (1.5, 0.9497),
        (3.0, 0.97953),
        (4.5, 0.99244),
        (6.0, 0.99848),
        (8.0, 0.99955),
        (9.0, 0.99976),
        (10.0, 0.99995),
        (12.0, 0.99998),
    ),
    ((-20.0, 0.5), (0.0, 0.85294), (1.5, 0.95232), (8.0, 0.95631), (9.0, 0.96452), (10.0, 0.98078)),
    (
        (-20.0, 0.5),
        (0.0, 0.58333),
        (1.5, 0.85165),
        (4.5, 0.88426),
        (6.0, 0.94444),
        (7.0, 0.97426),
        (8.0, 0.98654),
        (9.0, 0.99412),
        (10.0, 0.99483),
        (12.0, 0.9986),
    ),
    (
        (-20.0, 0.5),
        (0.0, 0.74383),
        (1.5, 0.86475),
        (3.0, 0.94614),
        (4.5, 0.97212),
        (6.0, 0.97608),
        (7.0, 0.98661),
        (8.0, 0.99877),
        (9.0, 0.99931),
        (12.0, 0.99966),
    ),
    ((-20.0, 0.48077), (1.5, 0.96087), (4.5, 0.96967)),
    ((-20.0, 0.5), (1.5, 0.90367), (3.0, 0.95503), (4.5, 0.98057), (8.0, 0.98166)),
    (
        (-20.0, 0.375),
        (0.0, 0.82273),
        (1.5, 0.899),
        (3.0, 0.94045),
        (4.5, 0.96036),
        (8.0, 0.97414),
        (9.0, 0.99434),
        (10.0, 0.99831),
    ),
    ((-20.0, 0.34211), (1.5, 0.64844), (3.0, 0.74658), (4.5, 0.81458), (12.0, 0.9)),
    (
        (-20.0, 0.75),
        (0.0, 0.91319),
        (3.0, 0.92014),
        (4.5, 0.94598),
        (9.0, 0.98026),
        (10.0, 0.98992),
    ),
    (
        (-20.0, 0.64286),
        (0.0, 0.79396),
        (1.5, 0.89338),
        (3.0, 0.92708),
        (4.5, 0.94792),
        (6.0, 0.97137),
        (8.0, 0.98661),
        (9.0, 0.99303),
        (12.0, 0.99931),
    ),
    ((-20.0, 0.45), (1.5, 0.722), (8.0, 0.79167), (9.0, 0.79566)),
    ((-20.0, 0.5), (0.0, 0.87), (4.5, 0.87621), (8.0, 0.87705), (10.0, 0.88158)),
    ((-20.0, 0.33621), (0.0, 0.36257), (8.0, 0.41299), (9.0, 0.48307), (10.0, 0.57295)),
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
    more_edits_bits: float = -7.0
    unrelated_bits: float = -22.0
    """A label that has nothing to do with the link."""
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
    calibration: tuple[tuple[tuple[float, float], ...], ...] = CALIBRATION
    """Per stratum of the gate: (log2 odds from here on, share right), rising."""
    fitted_at: str = ""
    """Journal time of the fit; empty for the shipped values."""
