"""The records to be weighed, in the order in which they are followed, and their states."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from itertools import pairwise

import numpy as np

from rules.pairing import candidates, keying, stretch, transitions
from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.case import UNBOUND, Case
from rules.pairing.grid import Grid
from rules.pairing.parameters import Parameters

BORDER = 12
"""Records of a sweep kept on either side of others: more than any rule looks sideways."""
AROUND = 500
"""Records of sweeps on either side that still say how a run writes and measures: about a day's."""


@dataclass(frozen=True)
class Look:
    """What a first look said of the states of one run, and all that it was given of the run."""

    given: tuple[bytes, ...]
    values: np.ndarray
    probability: np.ndarray


@dataclass(frozen=True)
class Bench:
    """What no round changes: the records to be weighed, in the order in which they are followed."""

    case: Case
    named: np.ndarray
    sweep: np.ndarray
    rows: np.ndarray
    """Where each record stands in its class."""
    names: list[str]
    typed: dict[str, candidates.Typed]
    runs: list[tuple[int, int]]
    """Stretches of records that follow each other in one run."""
    sign: np.ndarray
    kind: np.ndarray
    moves: transitions.Moves
    made: dict[tuple[bytes, ...], tuple[np.ndarray, np.ndarray]]
    """States of stretches that were laid out before, for when sweeps beside others were given up:
    five columns as `stretch.states` gives them, and how many of each record."""
    parts: dict[str, keying.Parts]
    looks: dict[tuple[bool, int], Look]
    """What a first look said of each run, by whether it was given guesses, and the run."""

    @cached_property
    def infos(self) -> list[candidates.Typed]:
        """Return what the label of each record says."""
        return [self.typed[name] for name in self.names]

    @cached_property
    def retest(self) -> np.ndarray:
        """Say of each record whether its label says that it is a retest."""
        return np.array([info.retest for info in self.infos], dtype=bool)

    @cached_property
    def shortened(self) -> np.ndarray:
        """Say of each record whether its label ends like planned ones and is none."""
        return np.array([bool(info.tails) for info in self.infos], dtype=bool)


def lay_out(case: Case, named: np.ndarray, sweep: np.ndarray, last: Bench | None) -> Bench | None:
    """Lay out the records that belong to no sweep and those beside them, None where none is left.

    named: the unit whose planned label each record has to the letter, -1 none; sweep: its sweep,
    -1 none (`sweeps.find`). last: the bench before some sweeps were given up.
    """
    rows = np.flatnonzero(_near(sweep < 0, BORDER, case.run))
    if not len(rows):
        return None
    names = case.table["label"].take(rows).to_list()
    counts = Counter(names)
    typed = {} if last is None else dict(last.typed)
    typed |= candidates.read_labels(
        sorted(counts.keys() - typed.keys()), counts, case.grid, case.index, case.bound.aliases,
        case.settings, case.elsewhere,
    )  # fmt: skip
    parts = {} if last is None else last.parts
    parts |= {name: keying.parts(name) for name in counts.keys() - parts.keys()}
    infos = [typed[name] for name in names]
    runs = stretches(case.run[rows], rows - np.arange(len(rows)))
    sign = _signs(infos, runs)
    order = _followed(infos, runs, sign, case.fixed[rows])
    rows, names = rows[order], [names[n] for n in order.tolist()]
    kind = keying.kinds([parts[name] for name in names], case.run[rows])
    moves = transitions.moves(case.parameters) if last is None else last.moves
    made = {} if last is None else last.made
    looks = {} if last is None else last.looks
    return Bench(
        case, named, sweep, rows, names, typed, runs, sign[order], kind, moves, made, parts, looks
    )


def _near(marked: np.ndarray, reach: int, run: np.ndarray) -> np.ndarray:
    """Mark what stands at most `reach` records from a marked one of the same run."""
    before = np.r_[0, np.cumsum(marked)]
    at = np.arange(len(marked))
    low = np.maximum(at - reach, np.searchsorted(run, run))
    high = np.minimum(at + reach + 1, np.searchsorted(run, run, side="right"))
    return np.asarray(before[high] > before[low])


def stretches(*parts: np.ndarray) -> list[tuple[int, int]]:
    """Return the stretches in which each of some arrays stays as it is."""
    new = np.any([part[1:] != part[:-1] for part in parts], axis=0)
    return list(pairwise(np.flatnonzero(np.r_[True, new, True]).tolist()))


def _signs(infos: Sequence[candidates.Typed], runs: list[tuple[int, int]]) -> np.ndarray:
    """Say for each record whether the crew counts up (1) or down (-1) around it."""
    sign = np.ones(len(infos), dtype=np.int64)
    ports = np.array([info.port for info in infos])
    for start, end in runs:
        mine = ports[start:end]
        move = np.diff(mine)
        vote = np.where((np.abs(move) <= 2) & (mine[1:] >= 0) & (mine[:-1] >= 0), np.sign(move), 0)
        total = np.convolve(np.r_[vote, 0] + np.r_[0, vote], np.ones(11), mode="same")
        sign[start:end] = np.where(total[: end - start] < 0, -1, 1)
    return sign


def _followed(
    infos: Sequence[candidates.Typed], runs: list[tuple[int, int]], sign: np.ndarray,
    fixed: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Return the records in the order in which they are followed: two in reverse by their labels.

    Where two labels stand the wrong way round between others that count on past both, one place
    was taken before the other, or each has the other's label. Either way nothing was skipped and
    no counter slipped there, which moves of a chain, one after the other, would take it for.
    fixed: what answers say of each record; two that they put in order stay in order.
    """
    out = np.arange(len(infos))
    port = np.array([info.port for info in infos])
    number: dict[str, int] = {}
    head = np.array([number.setdefault(info.head, len(number)) for info in infos])
    for start, end in runs:
        mine = slice(start, end)
        move = np.diff(port[mine]) * sign[mine][1:]
        alike = (np.diff(head[mine]) == 0) & (port[mine][1:] >= 0) & (port[mine][:-1] >= 0)
        on = np.r_[False, alike & (move == 2), False]
        other = np.r_[True, ~alike, True]
        back = np.flatnonzero(alike & (move == -1))
        before, after = back, back + 2
        good = (on[before] | other[before]) & (on[after] | other[after])
        good &= on[before] | on[after]
        for at in (start + back[good]).tolist():
            if min(fixed[at], fixed[at + 1]) >= 0 and (fixed[at + 1] - fixed[at]) * sign[at] > 0:
                continue
            out[[at, at + 1]] = out[[at + 1, at]]
    return out


def states(on: Bench, guess: np.ndarray) -> States:
    """Return all states of the records; guess: where each probably stands, -1 unknown."""
    anchored = np.where(on.sweep[on.rows] >= 0, on.named[on.rows], -1)
    fixed = on.case.fixed[on.rows]
    exact = round(1000 * on.case.parameters.exact_bits)
    parts = [_of_stretch(on, start, end, guess) for start, end in on.runs]
    count = np.concatenate([counts for _, counts in parts])
    record = np.repeat(np.arange(len(count)), count)
    table = np.concatenate([options for options, _ in parts])
    first = np.r_[0, np.cumsum(count)]
    sure = np.flatnonzero(anchored >= 0)
    certain = [(u, u, 0, candidates.EXACT, exact) for u in anchored[sure].tolist()]
    instead = [(record, table), (sure, np.array(certain, dtype=np.int64).reshape(-1, 5))]
    answered = np.flatnonzero((anchored < 0) & (fixed > UNBOUND))
    for n in answered.tolist():
        free = [tuple(option) for option in table[first[n] : first[n + 1]].tolist()]
        bound = np.array(_bound(free, int(fixed[n])), dtype=np.int64)
        instead.append((np.full(len(bound), n), bound))
    kept = np.ones(len(count), dtype=bool)
    kept[sure] = kept[answered] = False
    instead[0] = record[kept[record]], table[kept[record]]
    record = np.concatenate([records for records, _ in instead])
    order = np.argsort(record, kind="stable")
    options = np.concatenate([options for _, options in instead])[order].T.astype(np.int64)
    unit, target, regime, form, bits = np.ascontiguousarray(options)
    first = np.searchsorted(record[order], np.arange(len(count) + 1))
    return States(record[order], unit, target, regime, form, bits, first)


def _of_stretch(
    on: Bench, start: int, end: int, guess: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the states of the records of a stretch by what they and their neighbours say."""
    mine = slice(start, end)
    key = tuple(part[mine].tobytes() for part in (on.rows, on.sign, guess))
    if key not in on.made:
        on.made[key] = stretch.states(
            on.infos[mine], on.case.grid, on.sign[mine], guess[mine].tolist(),
            on.case.parameters,
        )  # fmt: skip
    return on.made[key]


def some(states: States, wanted: np.ndarray) -> States:
    """Return the states of some records. wanted: flag of each record."""
    kept = wanted[states.record]
    flat = {f.name: getattr(states, f.name)[kept] for f in fields(States) if f.name != "first"}
    flat["record"] = (np.cumsum(wanted) - 1)[flat["record"]]
    first = np.r_[0, np.cumsum(np.diff(states.first)[wanted])]
    return States(**flat, first=first)


def standing(states: States, on: Bench) -> np.ndarray:
    """Return the other records of sweeps that matter here: of the same panels, and of the hours
    around, which tell the habits of the run and what its losses are off by.
    """
    case, sweep = on.case, on.sweep
    around = _near(sweep < 0, AROUND, case.run)
    near = np.zeros(len(case.grid.sizes), dtype=bool)
    near[case.grid.panel[states.unit]] = True
    out = (sweep >= 0) & (around | near[case.grid.panel[np.maximum(on.named, 0)]])
    out[on.rows] = False
    return np.flatnonzero(out)


def append(states: States, units: np.ndarray, parameters: Parameters) -> States:
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


def place(
    states: States, grid: Grid, sign: np.ndarray, kind: np.ndarray, noted: np.ndarray,
    repeat: np.ndarray,
) -> transitions.Place:  # fmt: skip
    """Return where each state stands in its panel, ports that the crew noted as skipped left out.

    sign, kind, repeat (`physics.repeats`): of each record; noted: units.
    """
    present = np.ones(grid.units, dtype=np.int64)
    present[noted] = 0
    before = np.r_[0, np.cumsum(present)]
    first = before[grid.starts[:-1]]
    sizes = np.maximum(before[grid.starts[1:]] - first, 1)
    panel = grid.panel[states.unit]
    place = np.minimum(before[states.unit] - first[panel], sizes[panel] - 1)
    return transitions.Place(
        panel, place, sizes[panel], states.regime, sign[states.record], kind[states.record],
        states.form != OUTSIDE, repeat[states.record],
    )  # fmt: skip


def only(info: candidates.Typed) -> int:
    """Return the one unit that a label names in full, -1 where it names none or several."""
    return info.full[0][0] if len(info.full) == 1 else -1
