"""What may be paired without asking: calibrated confidence, and rules no figure overrides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.pairing import candidates
from rules.pairing.ledger import BESIDE, CLEAN, GAP, GAP_BESIDE, OPEN, PART, Ledger
from rules.pairing.parameters import Knots, Parameters, knots
from rules.pairing.weigh import Weighed

LABELS = ("full", "by hand", "shortened", "mistyped", "slip")
LEDGERS = ("clean", "beside", "passed", "passed beside", "gap", "gap beside", "part", "open")
RUNS = ("", "messy ")
STRATA = (
    *(f"{run}{ledger} {label}" for run in RUNS for ledger in LEDGERS for label in LABELS),
    "contested",
)
"""Kinds of case calibrated apart: state of the panel's ledger by kind of label (`by hand`: a full
one in a run whose labels were typed one by one, which no counter puts off by one; `slip`: one
mistyped in such a run; `shortened`: mistyped or not), in tidy runs and in messy ones; `contested`
is everything against which some rule speaks."""
MESSY = 0.1
"""A run is messy where more than this share of its records is contested."""

SHARE = 3.0
"""The tolerance is of the share wrong among all pairs made without asking; most are far surer, and
so a single one may be this many times as doubtful. In messy runs, where errors come together and
crews are least like simulated ones, it may not; nor in a panel of which much is unread, where no
last port shows that the labels still fit."""
LEAST_BITS = 6.0
"""How far the runner-up must be, whatever the calibration says (log2 odds)."""
LEAST_PLAIN = 0.9
"""How probable a place must be if labels never ran off by one."""
LEAST_WITNESSES = 2
"""Full labels of a run in a panel that confirm the panel for its shortened ones."""
ROOM_BITS = 8.0
"""What a run's own evidence (fibre type, values, sizes of panels, the work before it) must say for
a panel that no full label names; that the other panels are taken says nothing."""

OBJECTIONS = (
    "", "outside the plan", "panel out of order", "another claim", "without shifts elsewhere",
    "without shifts unsure",
    "labels off", "label of something else", "label of another link", "order reversed",
    "room open", "next to an unread port",
)  # fmt: skip
"""What speaks against pairing a record without asking, whatever its probability."""
UNLIKE_MESSY = ("room open", "next to an unread port", "panel out of order")
"""Objections that say nothing of a run's care: a short way to write, a port left out, one slip that
a counter repeated."""


@dataclass(frozen=True)
class Verdict:
    """Per record: accepted without asking, the calibrated confidence, and the stratum it is in."""

    accepted: np.ndarray
    confidence: np.ndarray
    stratum: np.ndarray
    state: np.ndarray
    """The most probable state of the most probable place."""
    objection: np.ndarray
    """The first of OBJECTIONS that holds, as its number."""


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


def strata(
    weighed: Weighed, ledger: Ledger, state: np.ndarray, objection: np.ndarray
) -> np.ndarray:
    """Return the stratum of each record, from its best state and what speaks against it."""
    form = weighed.states.form[state]
    full, shortened = form <= candidates.OTHER_END, _shortened(weighed, form)
    by_hand = weighed.by_hand.astype(np.int64)
    kind = np.where(full, by_hand, LABELS.index("mistyped") + by_hand)
    kind[shortened] = LABELS.index("shortened")
    sound = objection == 0
    odd = ~sound & ~np.isin(objection, [OBJECTIONS.index(name) for name in UNLIKE_MESSY])
    contested = np.bincount(weighed.run_of, weights=odd)[weighed.run_of] / weighed.in_run
    case = (contested > MESSY) * len(LEDGERS) + ledger.state
    # where a run is messy, nothing but a full label says which panel it is in
    sound &= (contested <= MESSY) | ~shortened
    return np.where(sound, case * len(LABELS) + kind, len(STRATA) - 1)


def objections(weighed: Weighed, ledger: Ledger, state: np.ndarray) -> np.ndarray:
    """Return for each record the first of OBJECTIONS that holds, as its number; 0 where none does.

    state: the best state of each record.
    """
    form, regime = weighed.states.form[state], weighed.states.regime[state]
    # a label that is planned for another link is no slip that may be mended without asking
    elsewhere = np.isin(weighed.names, [n for n, info in weighed.typed.items() if info.full])
    held = (
        weighed.unit < 0,
        weighed.astray,
        ledger.rival,
        weighed.unit != weighed.plain_unit,
        weighed.p_plain <= LEAST_PLAIN,
        regime != 0,
        form >= candidates.UNRELATED,
        (form == candidates.MISTYPED) & elsewhere,
        exchanged(weighed),
    )
    first = np.select(held, range(1, len(held) + 1), 0)
    full = (first == 0) & (form <= candidates.OTHER_END)
    # a panel read whole, between those taken before and after it, is no other room's
    between = weighed.kept & np.isin(ledger.state, (CLEAN, BESIDE))
    open_room = (first == 0) & _shortened(weighed, form) & ~_room_known(weighed, full) & ~between
    first = np.where(open_room, OBJECTIONS.index("room open"), first)
    # one wrong key makes a number its neighbour's; who types each label may have meant the other
    edge = (first == 0) & ledger.edge & weighed.by_hand
    # a damaged name that a counter repeats says as little of an unread port ahead as a whole one
    ahead = np.isin(ledger.state, (GAP, GAP_BESIDE, PART, OPEN)) & ~weighed.by_hand
    edge |= (first == 0) & ahead & (form == candidates.MISTYPED)
    return np.asarray(np.where(edge, OBJECTIONS.index("next to an unread port"), first))


def judge(weighed: Weighed, ledger: Ledger, parameters: Parameters, tolerance: float) -> Verdict:
    """Decide which records are paired without asking.

    tolerance: the highest accepted share of wrong pairs among those made.
    """
    state = best_states(weighed)
    objection = objections(weighed, ledger, state)
    stratum = strata(weighed, ledger, state, objection)
    confidence = calibrated(stratum, weighed.p_unit, parameters)
    messy = stratum >= len(LEDGERS) * len(LABELS)
    # shortened labels of a counter one behind fit as well as those of one that is not
    unsure = _shortened(weighed, weighed.states.form[state])
    unsure &= ~np.isin(ledger.state, (CLEAN, BESIDE))
    strict = messy | unsure | (ledger.state == PART)
    accepted = (
        (stratum < len(STRATA) - 1)
        & (ledger.state != OPEN)
        & (confidence >= 1 - tolerance * np.where(strict, 1.0, SHARE))
    )
    accepted &= log_odds(weighed.p_unit) >= LEAST_BITS
    return Verdict(accepted, confidence, stratum, state, objection)


def vague(weighed: Weighed) -> np.ndarray:
    """Say of each record whether a shortened label leaves open which panel it is of."""
    state = best_states(weighed)
    form = weighed.states.form[state]
    full = (form <= candidates.OTHER_END) & (weighed.states.regime[state] == 0)
    return np.asarray(_shortened(weighed, form) & ~_room_known(weighed, full))


def misfit(weighed: Weighed) -> np.ndarray:
    """Say of each record whether its label speaks of another port than the one it seems to be of.

    A counter makes no slips of the keys: a number that does not fit is that of something else, and
    the port it seems to be of may be unread.
    """
    state = best_states(weighed)
    form, grid = weighed.states.form[state], weighed.grid
    out = (form >= candidates.MISTYPED) & (weighed.unit >= 0) & ~weighed.by_hand
    for n in np.flatnonzero(out & (form == candidates.MISTYPED)).tolist():
        info, panel = weighed.typed[weighed.names[n]], int(grid.panel[weighed.unit[n]])
        full = [int(grid.panel[unit]) for unit, _ in info.full]
        out[n] = panel in info.panels or panel in full
    return np.asarray(out)


def _room_known(weighed: Weighed, full: np.ndarray) -> np.ndarray:
    """Say of each record whether its panel is confirmed by more than a shortened label.

    Full labels of the same run stand in the panel, or the run's own evidence is clear and the panel
    does not break the order.
    """
    panel = np.where(weighed.unit >= 0, weighed.grid.panel[np.maximum(weighed.unit, 0)], -1)
    block = weighed.run_of.astype(np.int64) * (len(weighed.grid.sizes) + 1) + panel + 1
    blocks, where = np.unique(block, return_inverse=True)
    likely = full & (log_odds(weighed.p_unit) >= LEAST_BITS)
    witnesses = np.bincount(where, weights=likely, minlength=len(blocks))
    clear = (log_odds(weighed.p_own) >= ROOM_BITS) & ~weighed.broken
    return np.asarray((witnesses[where] >= LEAST_WITNESSES) | clear)


def exchanged(weighed: Weighed) -> np.ndarray:
    """Say of each record whether it stands in reverse beside its neighbour in the run.

    Two ports taken in the other order look like two labels given to each other's fibres.
    """
    order = np.argsort(weighed.rows)
    unit, run, rows = weighed.unit[order], weighed.run_of[order], weighed.rows[order]
    back = (run[1:] == run[:-1]) & (unit[1:] >= 0) & (unit[:-1] >= 0)
    back &= (rows[1:] == rows[:-1] + 1) & ((unit[1:] - unit[:-1]) * weighed.sign[order][1:] == -1)
    out = np.zeros(len(unit), dtype=bool)
    out[order[1:]] |= back
    out[order[:-1]] |= back
    return out


def _shortened(weighed: Weighed, form: np.ndarray) -> np.ndarray:
    """Say of each record whether its label, mended or not, leaves out part of the planned one."""
    out = form == candidates.TAIL
    for n in np.flatnonzero((form == candidates.MISTYPED) & (weighed.unit >= 0)).tolist():
        info = weighed.typed[weighed.names[n]]
        out[n] = candidates.distance(info.solid, weighed.grid.solid(int(weighed.unit[n])))[1]
    return np.asarray(out)


def calibrated(stratum: np.ndarray, probability: np.ndarray, parameters: Parameters) -> np.ndarray:
    """Turn the chain's probability into the share that was right in such cases."""
    bits = log_odds(probability)
    out = np.zeros(len(bits))
    known = knots(parameters.calibration)
    for number in np.unique(stratum).tolist():
        mine = stratum == number
        out[mine] = shares(known.get(STRATA[number], ()), bits[mine])
    return out


def surest(parameters: Parameters) -> float:
    """Return the confidence of a full label in a clean panel that nothing speaks against."""
    return float(shares(knots(parameters.calibration).get(STRATA[0], ()), np.array([20.0]))[0])


def shares(steps: Knots, bits: np.ndarray) -> np.ndarray:
    """Return the share right at log2 odds: that of the nearest knot below, 0 below the first."""
    if not len(steps):
        return np.zeros(len(bits))
    at, share = np.array(steps).reshape(-1, 2).T
    place = np.searchsorted(at, bits, side="right") - 1
    return np.where(place >= 0, share[np.maximum(place, 0)], 0.0)


def log_odds(probability: np.ndarray) -> np.ndarray:
    """Return log2 odds, within 20 bits either way."""
    p = np.clip(probability, 1e-6, 1 - 1e-6)
    return np.asarray(np.log2(p / (1 - p)))
