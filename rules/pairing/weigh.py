"""All evidence together: states, their named terms, and how probable each place is."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from rules.pairing import astray, bench, candidates, chain, rounds, sweeps, transitions
from rules.pairing.bench import Bench
from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.case import Case
from rules.pairing.grid import Grid
from rules.pairing.rounds import Round, top_two

ROUNDS = 3


@dataclass(frozen=True)
class Weighed:
    """Evidence and outcome for the records of one class (one fibre, or two)."""

    grid: Grid
    states: States
    terms: dict[str, np.ndarray]
    """Named evidence per state in thousandths of a bit; they add up to what the chain is given."""
    probability: np.ndarray
    """Per state, all evidence and the order of work."""
    unit: np.ndarray
    """Per record the most probable unit, -1 for outside the plan."""
    p_unit: np.ndarray
    second: np.ndarray
    """The runner-up unit (-1: outside the plan, -2: none), and its probability."""
    p_second: np.ndarray
    plain_unit: np.ndarray
    """What the chain without shifts would say."""
    p_plain: np.ndarray
    typed: dict[str, candidates.Typed]
    names: list[str]
    retest: np.ndarray
    """Per record: the label says that it is a retest."""
    sign: np.ndarray
    by_hand: np.ndarray
    """Per record: the labels of its run were typed one by one."""
    run_of: np.ndarray
    in_run: np.ndarray
    """Per record: records of its run, those of sweeps too."""
    way: np.ndarray
    records: np.ndarray
    """The number that each record has in its dump."""
    p_own: np.ndarray
    """Probability of `unit` if no other record had a say: what confirms a room by itself."""
    rows: np.ndarray
    """Where each record stands in its class: those of sweeps far from others are left out, and two
    in reverse by their labels are followed the other way round (`bench.lay_out`)."""
    astray: np.ndarray
    """Per record: its stretch breaks the order of panels, and `unit` is of the unread panel of like
    name that keeps it (`astray`), `second` of the panel whose name was typed."""
    kept: np.ndarray
    """Per record: its stretch goes on from the panel before, and the next one from it."""
    broken: np.ndarray
    """Per record: its panel is beside neither the one before nor the one after."""
    touched: np.ndarray
    """The panels that records of each run might ever have stood in (`rounds.Round`)."""


def weigh(case: Case, named: np.ndarray, sweep: np.ndarray) -> tuple[np.ndarray, Weighed | None]:
    """Weigh the records of a class that belong to no sweep, None where there are none.

    Returns the sweeps that stand besides: one that another record may lay claim to is weighed too.

    named: the unit whose planned label each record has to the letter, -1 none; sweep: its sweep,
    -1 none (`sweeps.find`). A sweep's records stand where their labels say: those next to others
    keep their place in the chain, which is cut between them; the rest only speak as claims, habits
    and values.
    """
    given_up = np.zeros(int(case.run.max(initial=-1)) + 1, dtype=np.int64)
    touched = np.zeros(0, dtype=np.int64)
    on: Bench | None = None
    while True:
        on = bench.lay_out(case, named, sweep, on)
        if on is None:
            return sweep, None
        found, fewer = _rounds(on, given_up)
        touched = np.union1d(touched, found.touched)
        if fewer is None:
            return sweep, _weighed(on, rounds.alone(on, found), sweep, touched)
        # counted by run, so that one run's doubts never hasten another's
        given_up[np.unique(case.run[fewer != sweep])] += 1
        sweep = fewer


def _rounds(on: Bench, given_up: np.ndarray) -> tuple[Round, np.ndarray | None]:
    """Weigh in rounds; return the last, and the sweeps left where some must be given up."""
    found = rounds.first(on)
    for number in range(ROUNDS):
        if number:
            found = rounds.next_round(on, found)
        if number in (0, ROUNDS - 1):
            fewer = sweeps.undoubted(
                on.case, on.named, on.sweep, found.every, found.states, found.probability, given_up
            )
            if fewer is not None:
                return found, fewer
    return found, None


def _weighed(on: Bench, found: Round, sweep: np.ndarray, touched: np.ndarray) -> Weighed:
    """Read off the places of all records, and what they would be without part of the evidence."""
    case, rows, states = on.case, on.rows, found.states
    unit, p_unit, second, p_second = top_two(states, found.probability, len(rows))
    every = np.where(sweep >= 0, on.named, -1)
    every[rows] = unit
    order = astray.of_panels(case, every, sweep, on.typed)
    other = order.instead[rows]
    second = np.where(other >= 0, unit, second)
    unit = np.where(other >= 0, other, unit)
    return Weighed(
        case.grid, states, found.terms, found.probability, unit, p_unit, second, p_second,
        *_plain(on, found), on.typed, on.names, on.retest, on.sign, on.kind > 0, case.run[rows],
        np.bincount(case.run)[case.run[rows]], case.way[rows],
        case.table["record"].to_numpy(dtype=np.int64)[rows], _own(on, found, unit), rows,
        other >= 0, order.kept[rows], order.broken[rows], np.union1d(touched, order.looked),
    )  # fmt: skip


def _plain(on: Bench, found: Round) -> tuple[np.ndarray, np.ndarray]:
    """Return each record's most probable unit, and its probability, if labels never shifted."""
    states = found.states
    kept = np.flatnonzero(states.regime == 0)
    first = np.searchsorted(states.record[kept], np.arange(len(states.first)))
    flat = [f.name for f in fields(States) if f.name != "first"]
    less = States(**{name: getattr(states, name)[kept] for name in flat}, first=first)
    some = {name: value[kept] for name, value in found.terms.items()}
    line = rounds.lay_out(on, less, transitions.some(found.place, kept), on.runs)
    own = len(on.rows)
    unit, p_unit, _, _ = top_two(less, rounds.solve(on, less, line, some, own), own)
    return unit, p_unit


def _own(on: Bench, found: Round, unit: np.ndarray) -> np.ndarray:
    """Return how probable each shortened record's unit is by the evidence of its run alone."""
    states, shortened = found.states, on.shortened
    of_run = np.repeat(np.arange(len(on.runs)), [end - start for start, end in on.runs])
    some = np.isin(of_run, of_run[shortened])
    if not some.any():
        return np.zeros(len(unit))
    own = {name: value for name, value in found.terms.items() if name != "claims"}
    line = found.chain or rounds.lay_out(on, states, found.place, on.runs)
    probability = rounds.solve(on, states, chain.some(line, some), own, len(unit))
    at = np.where(states.form == OUTSIDE, -1, states.unit) == unit[states.record]
    at &= some[states.record]
    return np.bincount(states.record, weights=probability * at, minlength=len(unit))
