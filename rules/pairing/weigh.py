"""All evidence together: states, their named terms, and how probable each place is."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
import pandas as pd

from rules.pairing import candidates, chain, claims, match, physics
from rules.pairing.bindings import Bindings
from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.grid import Grid
from rules.pairing.parameters import Parameters
from rules.settings import Settings

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
    run_of: np.ndarray
    way: np.ndarray
    records: np.ndarray
    """The number that each record has in its dump."""


def weigh(
    table: pd.DataFrame,
    measured: physics.Measured,
    way: np.ndarray,
    grid: Grid,
    links: pd.DataFrame,
    index: match.Index,
    bound: Bindings,
    fixed: np.ndarray,
    noted: np.ndarray,
    again: np.ndarray,
    parameters: Parameters,
    settings: Settings,
) -> Weighed:
    """Weigh the records of one class.

    table: records in order of work (`records.of_readings`); way: a small number for each
    record's direction; fixed: the unit an answer gives a record, -1 outside the plan or left
    out, -2 where no answer says anything; noted: units that the crew noted as skipped, over
    which the work is followed as if they were not there; again: units that a repair or a retest
    list sends a crew to again, so that a second reading of them is no rival.
    """
    names = table["label"].to_list()
    counts = Counter(names)
    typed = candidates.read_labels(sorted(counts), counts, grid, index, bound.aliases, settings)
    run_of, runs = _runs(table)
    sign = _signs(names, typed, grid, runs)
    sure = np.array([only(typed[name]) for name in names], dtype=np.int64)
    loss, multi = physics.expected(links, grid)
    length = links["length_m"].to_numpy(dtype=float)[grid.link]
    panels = len(grid.sizes)
    moves = chain.moves(parameters, panels)
    guess = np.full(len(names), -1, dtype=np.int64)
    retest = np.array([typed[name].retest for name in names], dtype=bool)
    for last in (False, True):
        states = _states(names, typed, grid, sign, runs, fixed, guess, parameters)
        place = _place(states, grid, sign, noted)
        terms = {"label": states.bits.astype(np.int64)}
        if len(noted):
            told = np.isin(states.unit, noted) & (states.form != OUTSIDE)
            terms["notes"] = np.where(told, round(1000 * parameters.noted_bits), 0)
        if parameters.physics:
            terms["values"] = physics.weigh(
                states, measured, loss, multi, length, grid.panel, run_of, sure
            )
        probability = _solve(states, runs, place, terms, moves, panels, parameters)
        shortened = np.isin(names, [n for n, i in typed.items() if i.tails])
        if last or not shortened.any():
            break
        unit, p_unit, _, _ = top_two(states, probability, len(table))
        guess = np.where(shortened & (p_unit > 0.5), unit, -1)
    for _ in range(ROUNDS - 1):
        terms["habit"] = _habits(states, probability, run_of)
        if parameters.one_to_one:
            terms["claims"] = claims.rivals(
                states, probability, run_of, way, grid.panel, retest, again, parameters
            )
        if parameters.physics:
            guess, p_guess, _, _ = top_two(states, probability, len(table))
            sure = np.where(p_guess > 0.9, guess, -1)
            terms["values"] = physics.weigh(
                states, measured, loss, multi, length, grid.panel, run_of, sure
            )
            terms["other visit"] = claims.second_visits(
                states, probability, measured.loss_db, run_of, grid.units
            )
        probability = _solve(states, runs, place, terms, moves, panels, parameters)
    unit, p_unit, second, p_second = top_two(states, probability, len(table))
    plain_unit, p_plain = _plain(states, runs, place, terms, moves, panels, parameters)
    return Weighed(
        grid, states, terms, probability, unit, p_unit, second, p_second, plain_unit, p_plain,
        typed, names, retest, sign, run_of, way,
        table["record"].to_numpy(dtype=np.int64),
    )  # fmt: skip


def only(info: candidates.Typed) -> int:
    """Return the one unit that a label names in full, -1 where it names none or several."""
    return info.full[0][0] if len(info.full) == 1 else -1


def _place(states: States, grid: Grid, sign: np.ndarray, noted: np.ndarray) -> chain.Place:
    present = np.ones(grid.units, dtype=np.int64)
    present[noted] = 0
    before = np.r_[0, np.cumsum(present)]
    first = before[grid.starts[:-1]]
    sizes = np.maximum(before[grid.starts[1:]] - first, 1)
    panel = grid.panel[states.unit]
    place = np.minimum(before[states.unit] - first[panel], sizes[panel] - 1)
    return chain.Place(panel, place, sizes[panel], states.regime, sign[states.record])


def _runs(table: pd.DataFrame) -> tuple[np.ndarray, list[tuple[int, int]]]:
    codes, _ = pd.factorize(table["run_id"])
    edges = (
        np.flatnonzero(np.r_[True, codes[1:] != codes[:-1], True]).tolist() if len(codes) else [0]
    )
    return codes, list(pairwise(edges))


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
    runs: list[tuple[int, int]], fixed: np.ndarray, guess: np.ndarray, parameters: Parameters,
) -> States:  # fmt: skip
    rows: list[tuple[int, int, int, int, int, int]] = []
    first = [0]
    for start, end in runs:
        made = candidates.of_run(
            names[start:end], typed, grid, sign[start:end], guess[start:end].tolist(), parameters
        )
        for record, options in enumerate(made, start):
            if fixed[record] >= -1:
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
    moves: chain.Moves, panels: int, p: Parameters,
) -> np.ndarray:  # fmt: skip
    total = np.sum(list(terms.values()), axis=0) / 1000
    if not p.shift:
        total = np.where(states.regime == 0, total, -60.0)
    if not p.order:
        runs = [(r, r + 1) for start, end in runs for r in range(start, end)]
        total = np.where(states.regime == 0, total, -60.0)
    return chain.posterior(runs, states.first, place, total, moves, panels)


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
    probability = _solve(less, runs, where, some, moves, panels, p)
    unit, p_unit, _, _ = top_two(less, probability, len(states.first) - 1)
    return unit, p_unit


def _habits(states: States, probability: np.ndarray, run_of: np.ndarray) -> np.ndarray:
    """Learn how each run writes labels: forms it uses all day cost little, others more.

    Shares of the forms in a run with one record's worth of prior belief per form.
    """
    forms = len(candidates.FORMS)
    usual = np.array([0.82, 0.08, 0.03, 0.04, 0.02, 0.0, 0.0, 0.0])
    learnt = usual > 0
    key = run_of[states.record] * forms + states.form
    runs = int(run_of.max(initial=0)) + 1
    seen = np.bincount(key, weights=probability, minlength=runs * forms).reshape(runs, forms)
    share = (seen + 6 * usual) / (seen[:, learnt].sum(axis=1, keepdims=True) + 6)
    gain = np.log2(np.maximum(share, 1e-6) / np.maximum(usual, 1e-6))
    gain[:, ~learnt] = 0.0
    gain[:, candidates.MISTYPED] = np.clip(gain[:, candidates.MISTYPED], -3.0, 3.0)
    bits = np.clip(gain, -6.0, 6.0)[run_of[states.record], states.form]
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
