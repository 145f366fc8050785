"""What may be paired without asking: calibrated confidence, and rules no figure overrides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rules.pairing import candidates
from rules.pairing.ledger import Ledger
from rules.pairing.parameters import Parameters
from rules.pairing.weigh import Weighed

LABELS = ("full", "shortened", "mistyped")
LEDGERS = ("clean", "beside", "gap", "gap beside", "part", "open")
STRATA = (*(f"{ledger} {label}" for ledger in LEDGERS for label in LABELS), "contested")
"""Kinds of case calibrated apart: state of the panel's ledger by kind of label; `contested` is
everything against which some rule speaks."""

RESERVE = 0.5
"""Share of the tolerance that the calibration may use up: real crews are unlike simulated ones."""
LEAST_BITS = 6.0
"""How far the runner-up must be, whatever the calibration says (log2 odds)."""
LEAST_WITNESSES = 2
"""Full labels of a run in a panel that confirm the panel for its shortened ones."""


@dataclass(frozen=True)
class Verdict:
    """Per record: accepted without asking, the calibrated confidence, and the stratum it is in."""

    accepted: np.ndarray
    confidence: np.ndarray
    stratum: np.ndarray
    state: np.ndarray
    """The most probable state of the most probable place."""


def best_states(weighed: Weighed) -> np.ndarray:
    """Return for each record the most probable state at its most probable place."""
    states = weighed.states
    place = np.where(states.form == candidates.OUTSIDE, -1, states.unit)
    fits = place == weighed.unit[states.record]
    merit = np.where(fits, np.round(weighed.probability, 9), -1.0)
    order = np.lexsort((states.form, states.regime, -merit, states.record))
    record = states.record[order]
    head = np.r_[True, record[1:] != record[:-1]] if len(record) else np.zeros(0, bool)
    return order[head]


def strata(weighed: Weighed, ledger: Ledger) -> tuple[np.ndarray, np.ndarray]:
    """Return the stratum of each record, and its best state."""
    state = best_states(weighed)
    form, regime = weighed.states.form[state], weighed.states.regime[state]
    kind = np.full(len(state), 2)
    kind[form <= candidates.OTHER_END] = 0
    kind[form == candidates.TAIL] = 1
    # a label that is planned for another link is no slip that may be mended without asking
    elsewhere = np.isin(weighed.names, [n for n, info in weighed.typed.items() if info.full])
    sound = (
        (weighed.unit >= 0)
        & (weighed.unit == weighed.plain_unit)
        & (weighed.p_plain > 0.9)
        & ~ledger.rival
        & (regime == 0)
        & (form < candidates.UNRELATED)
        & ~((form == candidates.MISTYPED) & elsewhere)
    )
    return np.where(sound, ledger.state * len(LABELS) + kind, len(STRATA) - 1), state


def judge(weighed: Weighed, ledger: Ledger, parameters: Parameters, tolerance: float) -> Verdict:
    """Decide which records are paired without asking.

    tolerance: the highest accepted chance that a pair is wrong. A shortened label is taken only
    where full labels of the same run stand in the same panel.
    """
    stratum, state = strata(weighed, ledger)
    confidence = calibrated(stratum, weighed.p_unit, parameters)
    accepted = (stratum < len(STRATA) - 1) & (confidence >= 1 - RESERVE * tolerance)
    accepted &= log_odds(weighed.p_unit) >= LEAST_BITS
    panel = np.where(weighed.unit >= 0, weighed.grid.panel[np.maximum(weighed.unit, 0)], -1)
    block = weighed.run_of.astype(np.int64) * (len(weighed.grid.sizes) + 1) + panel + 1
    blocks, where = np.unique(block, return_inverse=True)
    shortened = weighed.states.form[state] == candidates.TAIL
    witnesses = np.bincount(where, weights=accepted & ~shortened, minlength=len(blocks))
    accepted &= ~shortened | (witnesses[where] >= LEAST_WITNESSES)
    return Verdict(accepted, confidence, stratum, state)


def calibrated(stratum: np.ndarray, probability: np.ndarray, parameters: Parameters) -> np.ndarray:
    """Turn the chain's probability into the share that was right in such cases."""
    bits = log_odds(probability)
    out = np.zeros(len(bits))
    for number, knots in enumerate(parameters.calibration):
        mine = stratum == number
        if not mine.any():
            continue
        out[mine] = shares(knots, bits[mine])
    return out


def surest(parameters: Parameters) -> float:
    """Return the confidence of a full label in a clean panel that nothing speaks against."""
    return float(shares(parameters.calibration[0], np.array([20.0]))[0])


def shares(knots: Sequence[tuple[float, float]], bits: np.ndarray) -> np.ndarray:
    """Return the share right at log2 odds: that of the nearest knot below, 0 below the first."""
    at, share = np.array(knots).reshape(-1, 2).T
    place = np.searchsorted(at, bits, side="right") - 1
    return np.where(place >= 0, share[np.maximum(place, 0)], 0.0)


def log_odds(probability: np.ndarray) -> np.ndarray:
    """Return log2 odds, within 20 bits either way."""
    p = np.clip(probability, 1e-6, 1 - 1e-6)
    return np.asarray(np.log2(p / (1 - p)))
