"""All evidence together: states, their named terms, and how probable each place is."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np

from rules.pairing import candidates, chain, claims, keying, physics, succession, sweeps
from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.case import UNBOUND, Case
from rules.pairing.grid import Grid
from rules.pairing.parameters import Parameters

ROUNDS = 3
BORDER = 12
"""Records of a sweep kept on either side of others: more than any rule looks sideways."""
AROUND = 500
"""Records of sweeps on either side that still say how a run writes and measures: about a day's."""


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
    """Where each record stands in its class: those of sweeps far from others are left out."""


def weigh(
    case: Case, named: np.ndarray, sweep: np.ndarray, rounds: int = 0
) -> tuple[np.ndarray, Weighed | None]:
    """Weigh the records of a class that belong to no sweep, None where there are none.

    Returns the sweeps that stand besides: one that another record may lay claim to is weighed too.

    named: the unit whose planned label each record has to the letter, -1 none; sweep: its sweep,
    -1 none (`sweeps.find`). A sweep's records stand where their labels say: those next to others
    keep their place in the chain, which is cut between them; the rest only speak as claims, habits
    and values. rounds: how often sweeps were given up already.
    """
    rows = np.flatnonzero(_near(sweep < 0, BORDER))
    if not len(rows):
        return sweep, None
    grid, parameters = case.grid, case.parameters
    names = case.table["label"].take(rows).to_list()
    counts = Counter(names)
    typed = candidates.read_labels(
        sorted(counts), counts, grid, case.index, case.bound.aliases, case.settings
    )
    anchored = np.where(sweep[rows] >= 0, named[rows], -1)
    runs = _stretches(case.run[rows], rows)
    sign = _signs(names, typed, grid, runs)
    kind = keying.kinds(names, case.run[rows])
    before = succession.previous(case.table, case.run)
    loss, multi, length = case.expected
    panels = len(grid.sizes)
    moves = chain.moves(parameters, panels)
    guess = np.full(len(names), -1, dtype=np.int64)
    retest = np.array([typed[name].retest for name in names], dtype=bool)
    own = len(rows)
    for last in (False, True):
        states = _states(names, typed, grid, sign, runs, anchored, case.fixed[rows], guess, case)
        standing = _standing(states, rows, named, sweep, case)
        every = np.r_[rows, standing]
        states = _append(states, named[standing], parameters)
        run_of, way, measured = case.run[every], case.way[every], case.measured.take(every)
        again = np.r_[retest, np.zeros(len(standing), dtype=bool)]
        sure = np.array([only(typed[name]) for name in names], dtype=np.int64)
        sure = np.r_[sure, named[standing]]
        written = np.array([typed[n].full[0][1] if typed[n].full else -1 for n in names], np.int64)
        written = np.r_[written, np.full(len(standing), candidates.EXACT)]
        place = _place(
            states,
            grid,
            np.r_[sign, np.ones(len(standing), np.int64)],
            np.r_[kind, np.zeros(len(standing), np.int64)],
            case.noted,
        )
        terms = {"label": states.bits.astype(np.int64)}
        if len(case.noted):
            told = np.isin(states.unit, case.noted) & (states.form != OUTSIDE)
            terms["notes"] = np.where(told, round(1000 * parameters.noted_bits), 0)
        if parameters.physics:
            terms["values"] = physics.weigh(
                states, measured, loss, multi, length, grid.panel, run_of, sure
            )
        probability = _solve(states, runs, place, terms, moves, panels, parameters, own)
        fewer = sweeps.undoubted(case, named, sweep, every, states, probability, rounds)
        if fewer is not None:
            return weigh(case, named, fewer, rounds + 1)
        shortened = np.isin(names, [n for n, i in typed.items() if i.tails])
        if last or not shortened.any():
            break
        unit, p_unit, _, _ = top_two(states, probability, len(every))
        guess = np.where(shortened & (p_unit[:own] > 0.5), unit[:own], -1)
    for _ in range(ROUNDS - 1):
        stands = named.copy()
        found, p_found, _, _ = top_two(states, probability, len(every))
        stands[every] = np.where(p_found > 0.9, found, -1)
        terms["succession"] = succession.weigh(states, every, stands, case.run, before, grid)
        terms["habit"] = _habits(states, probability, run_of, written)
        if parameters.one_to_one:
            terms["claims"] = claims.rivals(
                states, probability, run_of, way, grid.panel, again, case.again, parameters
            )
        if parameters.physics:
            sure = np.where(p_found > 0.9, found, -1)
            terms["values"] = physics.weigh(
                states, measured, loss, multi, length, grid.panel, run_of, sure
            )
            terms["other visit"] = claims.second_visits(
                states, probability, measured.loss_db, run_of, grid.units
            )
        probability = _solve(states, runs, place, terms, moves, panels, parameters, own)
    fewer = sweeps.undoubted(case, named, sweep, every, states, probability, rounds)
    if fewer is not None:
        return weigh(case, named, fewer, rounds + 1)
    states, kept = _head(states, own)
    place = chain.Place(*(getattr(place, f.name)[:kept] for f in fields(chain.Place)))
    terms = {name: value[:kept] for name, value in terms.items()}
    probability = probability[:kept]
    unit, p_unit, second, p_second = top_two(states, probability, own)
    plain_unit, p_plain = _plain(states, runs, place, terms, moves, panels, parameters)
    p_own = _alone(states, runs, place, terms, moves, panels, parameters, unit, shortened)
    return sweep, Weighed(
        grid, states, terms, probability, unit, p_unit, second, p_second, plain_unit, p_plain,
        typed, names, retest, sign, kind > 0,
        run_of[:own], np.bincount(case.run)[case.run[rows]], way[:own],
        case.table["record"].to_numpy(dtype=np.int64)[rows], p_own, rows,
    )  # fmt: skip


def _near(marked: np.ndarray, reach: int) -> np.ndarray:
    """Mark what stands at most `reach` records from a marked one."""
    before = np.r_[0, np.cumsum(marked)]
    at = np.arange(len(marked))
    low, high = np.maximum(at - reach, 0), np.minimum(at + reach + 1, len(marked))
    return np.asarray(before[high] > before[low])


def _standing(
    states: States, rows: np.ndarray, named: np.ndarray, sweep: np.ndarray, case: Case
) -> np.ndarray:
    """Return the other records of sweeps that matter here: of the same panels, and of the hours
    around, which tell the habits of the run and what its losses are off by.
    """
    around = _near(sweep < 0, AROUND)
    near = np.zeros(len(case.grid.sizes), dtype=bool)
    near[case.grid.panel[states.unit]] = True
    out = (sweep >= 0) & (around | near[case.grid.panel[np.maximum(named, 0)]])
    out[rows] = False
    return np.flatnonzero(out)


def _append(states: States, units: np.ndarray, parameters: Parameters) -> States:
    """Add one certain state for each record of a sweep."""
    if not len(units):
        return states
    none = np.zeros(len(units), dtype=np.int64)
    records = len(states.first) - 1
    return States(
        np.r_[states.record, records + np.arange(len(units))],
        np.r_[states.unit, units],
        np.r_[states.target, units],
        np.r_[states.regime, none],
        np.r_[states.form, none + candidates.EXACT],
        np.r_[states.bits, none + round(1000 * parameters.exact_bits)],
        np.r_[states.first, states.first[-1] + 1 + np.arange(len(units))],
    )


def _head(states: States, records: int) -> tuple[States, int]:
    """Return the states of the first records alone, and their number."""
    kept = int(states.first[records])
    flat = {f.name: getattr(states, f.name)[:kept] for f in fields(States) if f.name != "first"}
    return States(**flat, first=states.first[: records + 1]), kept


def only(info: candidates.Typed) -> int:
    """Return the one unit that a label names in full, -1 where it names none or several."""
    return info.full[0][0] if len(info.full) == 1 else -1


def _place(
    states: States, grid: Grid, sign: np.ndarray, kind: np.ndarray, noted: np.ndarray
) -> chain.Place:
    present = np.ones(grid.units, dtype=np.int64)
    present[noted] = 0
    before = np.r_[0, np.cumsum(present)]
    first = before[grid.starts[:-1]]
    sizes = np.maximum(before[grid.starts[1:]] - first, 1)
    panel = grid.panel[states.unit]
    place = np.minimum(before[states.unit] - first[panel], sizes[panel] - 1)
    return chain.Place(
        panel, place, sizes[panel], states.regime, sign[states.record], kind[states.record]
    )


def _stretches(run: np.ndarray, rows: np.ndarray) -> list[tuple[int, int]]:
    """Return the stretches of records that follow each other in one run."""
    new = (run[1:] != run[:-1]) | (rows[1:] != rows[:-1] + 1)
    return list(pairwise(np.flatnonzero(np.r_[True, new, True]).tolist()))


def _signs(
    names: list[str], typed: dict[str, candidates.Typed], grid: Grid, runs: list[tuple[int, int]]
) -> np.ndarray:
    """Say for each record whether the crew counts up (1) or down (-1) around it."""
    sign = np.ones(len(names), dtype=np.int64)
    ports = np.array([typed[n].port for n in names])
    for start, end in runs:
        mine = ports[start:end]
        move = np.diff(mine)
        vote = np.where((np.abs(move) <= 2) & (mine[1:] >= 0) & (mine[:-1] >= 0), np.sign(move), 0)
        total = np.convolve(np.r_[vote, 0] + np.r_[0, vote], np.ones(11), mode="same")
        sign[start:end] = np.where(total[: end - start] < 0, -1, 1)
    return sign


def _states(
    names: list[str], typed: dict[str, candidates.Typed], grid: Grid, sign: np.ndarray,
    runs: list[tuple[int, int]], anchored: np.ndarray, fixed: np.ndarray, guess: np.ndarray,
    case: Case,
) -> States:  # fmt: skip
    exact = round(1000 * case.parameters.exact_bits)
    rows: list[tuple[int, int, int, int, int, int]] = []
    first = [0]
    for start, end in runs:
        made = candidates.of_run(
            names[start:end],
            typed,
            grid,
            sign[start:end],
            guess[start:end].tolist(),
            case.parameters,
        )
        for record, options in enumerate(made, start):
            if anchored[record] >= 0:
                unit = int(anchored[record])
                options = [(unit, unit, 0, candidates.EXACT, exact)]
            elif fixed[record] > UNBOUND:
                options = _bound(options, int(fixed[record]))
            rows.extend((record, *option) for option in options)
            first.append(len(rows))
    table = np.array(rows, dtype=np.int64).reshape(-1, 6)
    return States(
        table[:, 0], table[:, 1], table[:, 2], table[:, 3], table[:, 4], table[:, 5],
        np.array(first, dtype=np.int64),
    )  # fmt: skip


def _bound(
    options: list[tuple[int, int, int, int, int]], unit: int
) -> list[tuple[int, int, int, int, int]]:
    """Keep only what an answer allows; its unit is always among the states."""
    if unit < 0:
        return [o for o in options if o[3] == OUTSIDE] or [(0, -1, 0, OUTSIDE, 0)]
    kept = [o for o in options if o[0] == unit and o[3] != OUTSIDE]
    have = {o[2] for o in kept}
    extra = [
        (unit, -1, regime, candidates.UNRELATED, -22_000)
        for regime in (0, 2, 3)
        if regime not in have
    ]
    return kept + extra


def _solve(
    states: States, runs: list[tuple[int, int]], place: chain.Place, terms: dict[str, np.ndarray],
    moves: chain.Moves, panels: int, p: Parameters, own: int,
) -> np.ndarray:  # fmt: skip
    """Run the chain over the first `own` records; those after them stand where they stand."""
    total = np.sum(list(terms.values()), axis=0) / 1000
    if not p.shift:
        total = np.where(states.regime == 0, total, -60.0)
    if not p.order:
        runs = [(r, r + 1) for start, end in runs for r in range(start, end)]
        total = np.where(states.regime == 0, total, -60.0)
    out = chain.posterior(runs, states.first, place, total, moves, panels)
    out[states.first[own] :] = 1.0
    return out


def _plain(
    states: States, runs: list[tuple[int, int]], place: chain.Place, terms: dict[str, np.ndarray],
    moves: chain.Moves, panels: int, p: Parameters,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Return each record's most probable unit, and its probability, if labels never shifted."""
    kept = np.flatnonzero(states.regime == 0)
    first = np.searchsorted(states.record[kept], np.arange(len(states.first)))
    flat = [f.name for f in fields(States) if f.name != "first"]
    less = States(**{name: getattr(states, name)[kept] for name in flat}, first=first)
    where = chain.Place(*(getattr(place, f.name)[kept] for f in fields(chain.Place)))
    some = {name: value[kept] for name, value in terms.items()}
    own = len(states.first) - 1
    probability = _solve(less, runs, where, some, moves, panels, p, own)
    unit, p_unit, _, _ = top_two(less, probability, own)
    return unit, p_unit


def _alone(
    states: States, runs: list[tuple[int, int]], place: chain.Place, terms: dict[str, np.ndarray],
    moves: chain.Moves, panels: int, p: Parameters, unit: np.ndarray, shortened: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Return how probable each shortened record's unit is by the evidence of its run alone."""
    out = np.zeros(len(unit))
    some = [(start, end) for start, end in runs if shortened[start:end].any()]
    if not some:
        return out
    own = {name: value for name, value in terms.items() if name != "claims"}
    probability = _solve(states, some, place, own, moves, panels, p, len(unit))
    at = np.where(states.form == OUTSIDE, -1, states.unit) == unit[states.record]
    return np.bincount(states.record, weights=probability * at, minlength=len(unit))


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
