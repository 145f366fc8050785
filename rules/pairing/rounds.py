"""Rounds of weighing: the named terms of all states, and the chain over them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rules.pairing import bench, candidates, chain, claims, physics, succession, transitions
from rules.pairing.bench import Bench
from rules.pairing.candidates import OUTSIDE, States


@dataclass(frozen=True)
class Round:
    """States and terms of the records on the bench and, after them, of sweeps besides."""

    every: np.ndarray
    """Where each of these records stands in the class; those of the bench come first."""
    states: States
    place: transitions.Place
    chain: chain.Chain | None
    """The runs laid out to be followed, None where that was done of some of them only."""
    terms: dict[str, np.ndarray]
    probability: np.ndarray
    written: np.ndarray
    """The form in which each record's label names a planned link, -1 where it names none."""
    again: np.ndarray
    """Per record: the label says that it is a retest."""
    touched: np.ndarray
    """The panels where records of each run may stand, as run number x panels + panel, sorted."""


def first(on: Bench) -> Round:
    """Weigh labels, notes, values and the order of work; twice where labels are shortened.

    The second time the states of shortened labels come from where the first time found them.
    """
    found = _first(on, np.full(len(on.rows), -1, dtype=np.int64))
    if not on.shortened.any():
        return found
    own = len(on.rows)
    unit, p_unit, _, _ = top_two(found.states, found.probability, len(found.every))
    again = _first(on, np.where(on.shortened & (p_unit[:own] > 0.5), unit[:own], -1))
    return replace(again, touched=np.union1d(again.touched, found.touched))


def _first(on: Bench, guess: np.ndarray) -> Round:
    """Make the states and weigh them by what each record and its neighbours say.

    guess: where each record probably stands by an earlier look, -1 unknown.
    """
    case, rows, named = on.case, on.rows, on.named
    states = bench.states(on, guess)
    panel = case.grid.panel[states.unit]
    touched = np.unique(case.run[rows[states.record]] * len(case.grid.sizes) + panel)
    standing = bench.standing(states, on)
    besides = np.zeros(len(standing), dtype=np.int64)
    every = np.r_[rows, standing]
    states = bench.append(states, named[standing], case.parameters)
    sure = np.r_[np.array([bench.only(i) for i in on.infos], dtype=np.int64), named[standing]]
    written = np.array([i.full[0][1] if i.full else -1 for i in on.infos], dtype=np.int64)
    repeat = np.zeros(len(every))
    if case.parameters.physics:
        repeat[: len(rows)] = physics.repeats(case.measured.take(rows), case.run[rows])
    place = bench.place(
        states, case.grid, np.r_[on.sign, besides + 1], np.r_[on.kind, besides], case.noted, repeat
    )
    terms = {"label": states.bits.astype(np.int64)}
    if len(case.noted):
        told = np.isin(states.unit, case.noted) & (states.form != OUTSIDE)
        terms["notes"] = np.where(told, round(1000 * case.parameters.noted_bits), 0)
    values, probability, line = _look(on, guess, every, states, place, terms, sure)
    if case.parameters.physics:
        terms["values"] = values
    return Round(
        every, states, place, line, terms, probability,
        np.r_[written, besides + candidates.EXACT], np.r_[on.retest, besides > 0],
        touched,
    )  # fmt: skip


def _look(
    on: Bench, guess: np.ndarray, every: np.ndarray, states: States, place: transitions.Place,
    terms: dict[str, np.ndarray], sure: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, chain.Chain | None]:  # fmt: skip
    """Return the term of values and the probabilities, and the runs if all were laid out for them.

    Nothing passes between runs here: a run of which the same is given as at the last look, when
    more sweeps stood, is told the same.
    """
    own, run, guessed = len(on.rows), on.case.run[every], bool((guess >= 0).any())
    spans: dict[int, list[tuple[int, int]]] = {}
    for start, end in bench.stretches(run, np.where(np.arange(len(run)) < own, 0, 1)):
        spans.setdefault(int(run[start]), []).append((start, end))
    parts = every, on.sweep[every] >= 0, np.r_[guess, np.full(len(every) - own, own)]
    given = {
        n: tuple(part[start:end].tobytes() for part in parts for start, end in where)
        for n, where in spans.items()
    }
    looks = {n: on.looks.get((guessed, n)) for n in spans}
    fresh = [n for n, look in looks.items() if look is None or look.given != given[n]]
    wanted = np.isin(run, fresh)
    kept = wanted[states.record]
    values, probability = np.zeros(len(kept), dtype=np.int64), np.zeros(len(kept))
    some, said = bench.some(states, wanted), {name: value[kept] for name, value in terms.items()}
    if on.case.parameters.physics:
        said["values"] = values[kept] = _values(on, some, every[wanted], sure[wanted])
    at = np.r_[0, np.cumsum(wanted)].tolist()
    line = lay_out(
        on, some, transitions.some(place, kept),
        [(at[start], at[end]) for start, end in on.runs if wanted[start]],
    )  # fmt: skip
    probability[kept] = solve(on, some, line, said, at[own])
    for n, where in spans.items():
        at_states = [slice(*states.first[[start, end]]) for start, end in where]
        look = looks[n]
        if n in fresh or look is None:
            both = (np.concatenate([a[s] for s in at_states]) for a in (values, probability))
            on.looks[guessed, n] = bench.Look(given[n], *both)
            continue
        begin = 0
        for s in at_states:
            end = begin + s.stop - s.start
            values[s], probability[s] = look.values[begin:end], look.probability[begin:end]
            begin = end
    return values, probability, line if wanted.all() else None


def next_round(on: Bench, last: Round) -> Round:
    """Weigh again with what the last round found: habits, rival claims, where crews came from."""
    case, p, states = on.case, on.case.parameters, last.states
    run_of, way = case.run[last.every], case.way[last.every]
    found, p_found, _, _ = top_two(states, last.probability, len(last.every))
    sure = np.where(p_found > 0.9, found, -1)
    stands = on.named.copy()
    stands[last.every] = sure
    terms = dict(last.terms)
    terms["succession"] = succession.weigh(
        states, last.every, stands, case.run, case.before, case.grid
    )
    terms["habit"] = _habits(states, last.probability, run_of, last.written)
    if p.one_to_one:
        terms["claims"] = claims.rivals(
            states, last.probability, last.every, run_of, way, case.grid.panel, last.again,
            case.again, p,
        )  # fmt: skip
    if p.physics:
        terms["values"] = _values(on, states, last.every, sure)
        terms["other visit"] = claims.second_visits(
            states, last.probability, case.measured.take(last.every).loss_db, run_of,
            case.grid.units,
        )  # fmt: skip
    line = last.chain or lay_out(on, states, last.place, on.runs)
    probability = solve(on, states, line, terms, len(on.rows))
    return replace(last, terms=terms, chain=line, probability=probability)


def alone(on: Bench, last: Round) -> Round:
    """Return a round without the records of sweeps besides."""
    own = len(on.rows)
    kept = int(last.states.first[own])
    return replace(
        last,
        every=on.rows,
        states=bench.some(last.states, np.arange(len(last.every)) < own),
        place=transitions.some(last.place, slice(kept)),
        terms={name: value[:kept] for name, value in last.terms.items()},
        probability=last.probability[:kept],
    )


def _values(on: Bench, states: States, every: np.ndarray, sure: np.ndarray) -> np.ndarray:
    case = on.case
    measured = case.measured.take(every)
    return physics.weigh(states, measured, case.expected, case.grid.panel, case.run[every], sure)


def lay_out(
    on: Bench, states: States, place: transitions.Place, runs: list[tuple[int, int]]
) -> chain.Chain:
    """Lay out runs of the bench to be followed."""
    if not on.case.parameters.order:
        runs = [(r, r + 1) for start, end in runs for r in range(start, end)]
    return chain.lay_out(runs, states.first, place, on.moves, len(on.case.grid.sizes))


def solve(
    on: Bench, states: States, line: chain.Chain, terms: dict[str, np.ndarray], own: int
) -> np.ndarray:
    """Follow the runs laid out; the records from `own` on stand where they stand."""
    p = on.case.parameters
    total = np.sum(list(terms.values()), axis=0) / 1000
    if not (p.shift and p.order):
        total = np.where(states.regime == 0, total, -60.0)
    out = chain.posterior(line, total)
    out[states.first[own] :] = 1.0
    return out


def _habits(
    states: States, probability: np.ndarray, run_of: np.ndarray, written: np.ndarray
) -> np.ndarray:
    """Learn how each run writes labels: forms it uses all day cost little, others more.

    Shares of the forms in a run with one record's worth of prior belief per form. written: the
    form in which each record's label names a planned link, -1 where it names none. That such a
    label was meant for another link is no habit of typing: it counts as it is written.
    """
    forms = len(candidates.FORMS)
    usual = np.array([0.82, 0.08, 0.03, 0.04, 0.02, 0.0, 0.0, 0.0])
    learnt = usual > 0
    planned = (states.form == candidates.MISTYPED) & (written[states.record] >= 0)
    form = np.where(planned, written[states.record], states.form)
    key = run_of[states.record] * forms + form
    runs = int(run_of.max(initial=0)) + 1
    seen = np.bincount(key, weights=probability, minlength=runs * forms).reshape(runs, forms)
    share = (seen + 6 * usual) / (seen[:, learnt].sum(axis=1, keepdims=True) + 6)
    gain = np.log2(np.maximum(share, 1e-6) / np.maximum(usual, 1e-6))
    gain[:, ~learnt] = 0.0
    gain[:, candidates.MISTYPED] = np.clip(gain[:, candidates.MISTYPED], -3.0, 3.0)
    bits = np.clip(gain, -6.0, 6.0)[run_of[states.record], form]
    return np.asarray(np.rint(1000 * bits), dtype=np.int64)


def top_two(
    states: States, probability: np.ndarray, records: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Sum states to places and return the most probable place of each record and the next.

    Equal probabilities are not broken by position: both are shown as equally probable, and the
    gate refuses either.
    """
    unit = np.where(states.form == OUTSIDE, -1, states.unit)
    key = states.record * (int(unit.max(initial=0)) + 2) + unit + 1
    keys, where = np.unique(key, return_inverse=True)
    mass = np.round(np.bincount(where, weights=probability), 9)
    record, place = (
        keys // (int(unit.max(initial=0)) + 2),
        keys % (int(unit.max(initial=0)) + 2) - 1,
    )
    order = np.lexsort((place, -mass, record))
    record, place, mass = record[order], place[order], mass[order]
    head = (
        np.flatnonzero(np.r_[True, record[1:] != record[:-1]]) if len(record) else np.zeros(0, int)
    )
    best = np.full(records, -1, dtype=np.int64)
    p_best = np.zeros(records)
    second = np.full(records, -2, dtype=np.int64)
    p_second = np.zeros(records)
    best[record[head]], p_best[record[head]] = place[head], mass[head]
    follow = head[(head + 1 < len(record))]
    follow = follow[record[follow + 1] == record[follow]] + 1
    second[record[follow]], p_second[record[follow]] = place[follow], mass[follow]
    return best, p_best, second, p_second
