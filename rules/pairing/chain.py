"""The order of work as a hidden Markov chain: forward-backward over the states of each run.

Runs are independent of each other and are followed side by side, in lots. What only fills a lot up
has no weight, and widths are multiples of eight: a run's figures never depend on which other runs
there are.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rules.pairing import transitions
from rules.pairing.transitions import Moves, Place

EIGHT = 8
"""Numpy adds up a row in so many parts: zeros that fill the last parts up change no sum."""
MOST_PAIRS = 100_000
"""Pairs of states at one step of a lot."""
FEW_PAIRS = 16_000
"""Runs of different width share a lot up to here, where steps cost more than what is in them."""
MOST_KEPT = 60_000_000
"""Pairs of states whose transitions are kept from round to round, four bytes each."""
RESCALED = 4
"""After so many steps what is left of probabilities is made large again: none ever vanishes."""
SPOT = 6
"""A run shorter than this is a spot check: where it ends says nothing."""


@dataclass(frozen=True)
class Lot:
    """Runs side by side, the longest first, and all that evidence does not change.

    index: state at [step, run, number], -1 for none; alive: runs that go on to each step; widths:
    most states of a record at each step, rounded up to EIGHT; begin, stop: how likely each run
    begins and ends in each state; between: transitions to each step, None if made when needed.
    """

    runs: list[tuple[int, int]]
    index: np.ndarray
    alive: list[int]
    widths: list[int]
    begin: np.ndarray
    stop: np.ndarray
    between: list[np.ndarray] | None = None

    @property
    def pairs(self) -> int:
        """Return the number of pairs of states of consecutive records, those for none too."""
        wide = np.array(self.widths)
        return int((np.array(self.alive)[1:] * wide[1:] * wide[:-1]).sum())


@dataclass(frozen=True)
class Chain:
    """Runs laid out, to be followed as often as the evidence changes."""

    steps: transitions.Steps
    lots: list[Lot]


def lay_out(
    runs: Sequence[tuple[int, int]], first: np.ndarray, place: Place, table: Moves, panels: int
) -> Chain:
    """Lay out runs, half-open ranges of records. first: slices of states by record."""
    steps = transitions.steps(place, table, panels)
    lots = [_lot(members, first, place, table) for members in _lots(runs, np.diff(first))]
    kept = np.cumsum([lot.pairs for lot in lots]) <= MOST_KEPT
    return Chain(
        steps,
        [
            replace(lot, between=transitions.between(lot.index, lot.alive, lot.widths, steps))
            if keep
            else lot
            for lot, keep in zip(lots, kept.tolist(), strict=True)
        ],
    )


def some(chain: Chain, wanted: np.ndarray) -> Chain:
    """Return the lots that hold records wanted, and maybe others. wanted: flag of each record."""
    return replace(
        chain, lots=[lot for lot in chain.lots if any(wanted[start] for start, _ in lot.runs)]
    )


def _lots(runs: Sequence[tuple[int, int]], count: np.ndarray) -> Iterator[list[tuple[int, int]]]:
    """Yield runs of much the same width. count: states of each record."""
    sized = [(-(-int(count[a:b].max()) // EIGHT) * EIGHT, a - b, a, b) for a, b in runs]
    lot: list[tuple[int, int]] = []
    last = 0
    for width, _, start, end in sorted(sized):
        most = MOST_PAIRS if width == last else FEW_PAIRS
        if lot and (len(lot) + 1) * width * width > most:
            yield sorted(lot, key=lambda run: (run[0] - run[1], run[0]))
            lot = []
        lot.append((start, end))
        last = width
    if lot:
        yield sorted(lot, key=lambda run: (run[0] - run[1], run[0]))


def _lot(runs: list[tuple[int, int]], first: np.ndarray, place: Place, table: Moves) -> Lot:
    lengths = np.array([end - start for start, end in runs])
    counts = np.zeros((int(lengths.max()), len(runs)), dtype=np.int64)
    begins = np.zeros_like(counts)
    for column, (start, end) in enumerate(runs):
        counts[: end - start, column] = np.diff(first[start : end + 1])
        begins[: end - start, column] = first[start:end]
    widths = -(-counts.max(axis=1) // EIGHT) * EIGHT
    number = np.arange(int(widths.max()))
    index = np.where(number < counts[..., None], begins[..., None] + number, -1)
    ends = index[lengths - 1, np.arange(len(runs))]
    field = place.panel, place.place, place.size, place.regime, place.sign
    sweeping = lengths >= SPOT
    kind = place.kind[index[0, :, 0]]
    return Lot(
        runs,
        index,
        (lengths > np.arange(len(index))[:, None]).sum(axis=1).tolist(),
        widths.tolist(),
        _start([a[index[0]] for a in field], kind, sweeping, table),
        np.where(sweeping[:, None], _stop([a[ends] for a in field]), 1.0),
    )


def posterior(chain: Chain, log2_weight: np.ndarray) -> np.ndarray:
    """Return the probability of each state given all records of its run.

    log2_weight: evidence of each state in bits. What belongs to none of the runs is 0.
    """
    out = np.zeros(len(log2_weight))
    for lot in chain.lots:
        between = lot.between
        if between is None:
            between = transitions.between(lot.index, lot.alive, lot.widths, chain.steps)
        real = lot.index >= 0
        out[lot.index[real]] = _follow(lot, between, real, log2_weight)[real]
    return out


def _follow(
    lot: Lot, between: list[np.ndarray], real: np.ndarray, log2_weight: np.ndarray
) -> np.ndarray:
    """Return the probability of each state of a lot at [step, run, number]."""
    weight = np.where(real, log2_weight[lot.index], -np.inf)
    top = weight.max(axis=2, keepdims=True)
    emit = np.exp2(weight - np.where(np.isfinite(top), top, 0.0))
    emit[~real] = 0.0
    emit[0] *= lot.begin
    emit[np.array([end - start - 1 for start, end in lot.runs]), np.arange(len(lot.runs))] *= (
        lot.stop
    )
    forward, backward = np.zeros(emit.shape), np.ones(emit.shape)
    forward[0] = emit[0]
    add, alive, widths = np.add.reduce, lot.alive, lot.widths
    for t in range(1, len(alive)):
        n, wide = alive[t], widths[t]
        came = forward[t - 1, :n, : widths[t - 1], None]
        ahead = add(came * between[t], axis=1)
        ahead *= emit[t, :n, :wide]
        forward[t, :n, :wide] = ahead if t % RESCALED else _rescaled(ahead)
    for t in range(len(alive) - 1, 0, -1):
        n, wide = alive[t], widths[t]
        goes = emit[t, :n, None, :wide] * backward[t, :n, None, :wide]
        behind = add(between[t] * goes, axis=2)
        backward[t - 1, :n, : widths[t - 1]] = behind if t % RESCALED else _rescaled(behind)
    both = forward * backward
    both /= np.maximum(both.sum(axis=2, keepdims=True), 1e-300)
    return both


def _rescaled(mass: np.ndarray) -> np.ndarray:
    """Return rows times such powers of two, which change no digit, that the largest is near 1."""
    _, exponent = np.frexp(mass.max(axis=1, keepdims=True))
    return np.asarray(np.ldexp(mass, -exponent))


def _start(
    first: Sequence[np.ndarray], kind: np.ndarray, sweeping: np.ndarray, table: Moves
) -> np.ndarray:
    """Return how likely a run begins in each state: at a panel's end, labels as they should be.

    sweeping: runs that are no spot check, in which a first port not read was passed over.
    """
    _, place, size, regime, sign = first
    entry = np.where(sign > 0, place, size - 1 - place)
    begin = np.where(entry == 0, 0.7, np.where(entry == 1, 0.02, 0.2 / size))
    passed = ((entry == 1) & sweeping[:, None]).astype(np.int64)
    return np.asarray(begin * table.between[kind[:, None], passed, 0, regime])


def _stop(final: Sequence[np.ndarray]) -> np.ndarray:
    """Return how likely a run ends in each state; crews also stop in the middle of a panel."""
    _, place, size, _, sign = final
    last = np.where(sign > 0, size - 1 - place, place)
    return np.asarray(np.where(last == 0, 0.9, np.where(last == 1, 0.02, 0.08 / size)))
