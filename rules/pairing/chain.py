"""The order of work as a hidden Markov chain: forward-backward over the states of each run.

Runs are independent of each other and are taken together in blocks of equal padded width, so that
a run's figures never depend on which other runs there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rules.pairing.candidates import REGIMES, SHIFTS
from rules.pairing.parameters import Parameters

WIDTHS = (8, 16, 24, 32, 48, 64)
REACH = 6
"""Moves within a panel are told apart up to this many ports."""
TINY = 1e-7
TOGETHER = 200_000
"""Pairs of states whose transitions are worked out at a time."""
SPOT = 6
"""A run shorter than this is a spot check: where it ends says nothing."""
BY_HAND = (1.0, 0.08, 0.02)
"""What is left of a counter's slips in a run of each kind: nothing says that its labels were typed
one by one, something does, much does. People who type each label seldom run off by one."""


BEHIND = SHIFTS.index(-1)
"""The regime of labels one behind in the order of work."""
COUNTERS = ("slip", "slip_after_skip", "overrun")
"""Rates of what only a counting label does."""


@dataclass(frozen=True)
class Moves:
    """Transition probabilities as tables: within a panel by regimes and move, and between."""

    within: np.ndarray
    """[kind of run, regime, regime', move + REACH]"""
    between: np.ndarray
    """[kind of run, whether the panel's first port was passed over, regime, regime']"""


@dataclass(frozen=True)
class Place:
    """What the chain needs of each state: panel, port place, panel size, regime, direction, kind.

    kind: of the run, an index into BY_HAND; inside: it is a place of the plan; repeat: how much
    likelier its values are if the record before measured the same fibre (bits).
    """

    panel: np.ndarray
    place: np.ndarray
    size: np.ndarray
    regime: np.ndarray
    sign: np.ndarray
    kind: np.ndarray
    inside: np.ndarray
    repeat: np.ndarray


def moves(p: Parameters, panels: int) -> Moves:
    """Work out the transition tables from the rates.

    panels: number of panels of the plan, over which an unexpected change of panel is spread.
    """
    made = [
        _moves(replace(p, **{name: share * getattr(p, name) for name in COUNTERS}))
        for share in BY_HAND
    ]
    return Moves(*(np.stack(part) for part in zip(*made, strict=True)))


def _moves(p: Parameters) -> tuple[np.ndarray, np.ndarray]:
    width = 2 * REACH + 1
    move = np.full(width, TINY * 10)
    move[REACH] = p.retest
    move[REACH + 1] = 1 - p.skip - p.retest - 0.03
    for far in range(2, REACH):
        move[REACH + far] = max(p.skip ** min(far - 1, 2), 2e-5)
    for far, chance in ((1, 1.5e-2), (2, 1e-3), (3, 3e-4), (4, 1e-4)):
        move[REACH - far] = chance
    move[0] = move[-1] = 1e-4
    count = len(REGIMES)
    within = np.full((count, count, width), TINY)
    for a in range(count):
        for b in range(count):
            if a == b:
                share = np.full(width, (1 - 2 * p.slip) if a == 0 else 1 - p.notice)
            elif a < len(SHIFTS) and b < len(SHIFTS):
                share = _slip(SHIFTS[b] - SHIFTS[a], back=b == 0, p=p)
            else:
                share = np.full(width, p.notice / 2 if b == 0 else TINY)
            within[a, b] = move * np.maximum(share, TINY)
    return within, _between(p, count)


def _slip(change: int, *, back: bool, p: Parameters) -> np.ndarray:
    """Return the chance that labels slip by `change`, for each move."""
    share = np.full(2 * REACH + 1, p.slip if abs(change) == 1 else p.slip**1.5)
    if change < 0 and 1 - change < REACH:
        share[REACH + 1 - change] = p.slip_after_skip
    return np.maximum(share, p.notice * 0.9) if back else share


def _between(p: Parameters, count: int) -> np.ndarray:
    """Return the chances of labels from one panel to the next, and where its first port is passed.

    A counter that goes on counting over a panel's first port begins the panel one behind.
    """
    table = np.full((count, count), TINY * 10)
    table[0, 0] = 1 - p.wrong_panel - p.overrun
    table[0, 5], table[0, 6], table[0, 7] = p.wrong_panel, p.wrong_panel / 10, p.overrun
    table[0, 1:5] = p.slip**1.5, p.slip, p.slip, p.slip**1.5
    for regime in range(1, count):
        table[regime, 0], table[regime, regime] = 0.75, 0.2
    passed = table.copy()
    passed[:, BEHIND] = np.maximum(passed[:, BEHIND], table[:, 0] * p.slip_after_skip)
    return np.stack([table, passed])


def posterior(
    runs: Sequence[tuple[int, int]],
    first: np.ndarray,
    place: Place,
    log2_weight: np.ndarray,
    table: Moves,
    panels: int,
) -> np.ndarray:
    """Return the probability of each state given all records of its run.

    runs: half-open ranges of records; first: slices of states by record; log2_weight: evidence of
    each state in bits.
    """
    out = np.zeros(len(log2_weight))
    widths = np.diff(first)
    by_width: dict[int, list[tuple[int, int]]] = {}
    for start, end in runs:
        most = int(widths[start:end].max())
        by_width.setdefault(next(w for w in WIDTHS if w >= most), []).append((start, end))
    for width, members in sorted(by_width.items()):
        members.sort(key=lambda r: (r[0] - r[1], r[0]))
        lot = max(1, 100_000 // (width * width))
        for at in range(0, len(members), lot):
            _block(members[at : at + lot], width, first, place, log2_weight, table, panels, out)
    return out


def _block(
    members: Sequence[tuple[int, int]], width: int, first: np.ndarray, place: Place,
    log2_weight: np.ndarray, table: Moves, panels: int, out: np.ndarray,
) -> None:  # fmt: skip
    lengths = np.array([end - start for start, end in members])
    steps = int(lengths.max())
    index = np.full((steps, len(members), width), -1, dtype=np.int64)
    for column, (start, end) in enumerate(members):
        counts = np.diff(first[start : end + 1])
        inside = np.arange(width)[None, :] < counts[:, None]
        index[: end - start, column][inside] = np.arange(first[start], first[end])
    real = index >= 0
    weight = np.where(real, log2_weight[index], -np.inf)
    top = weight.max(axis=2, keepdims=True)
    emit = np.exp2(weight - np.where(np.isfinite(top), top, 0.0))
    emit[~real] = 0.0
    field = [a[index] for a in (place.panel, place.place, place.size, place.regime, place.sign)]
    again = place.inside[index], np.exp2(place.repeat[index[:, :, 0]]).astype(np.float32)
    kind = place.kind[index[0, :, 0]]
    emit[0] *= _start([f[0] for f in field], kind, lengths >= SPOT, table)
    ends = lengths - 1, np.arange(len(members))
    stop = _stop([f[ends] for f in field])
    emit[ends] *= np.where((lengths < SPOT)[:, None], 1.0, stop)
    alive_at = [int((lengths > t).sum()) for t in range(steps)]
    between = _transitions(field, again, kind, alive_at, table, panels)

    forward = np.zeros(emit.shape)
    forward[0] = emit[0] / np.maximum(emit[0].sum(axis=1, keepdims=True), 1e-300)
    for t in range(1, steps):
        n = alive_at[t]
        ahead = (forward[t - 1, :n, :, None] * between[t]).sum(axis=1) * emit[t, :n]
        forward[t, :n] = ahead / np.maximum(ahead.sum(axis=1, keepdims=True), 1e-300)
    backward = np.ones(emit.shape)
    for t in range(steps - 1, 0, -1):
        n = alive_at[t]
        behind = (between[t] * (emit[t, :n] * backward[t, :n])[:, None, :]).sum(axis=2)
        backward[t - 1, :n] = behind / np.maximum(behind.max(axis=1, keepdims=True), 1e-300)
    both = forward * backward
    both /= np.maximum(both.sum(axis=2, keepdims=True), 1e-300)
    out[index[real]] = both[real]


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


def _transitions(
    field: Sequence[np.ndarray], again: tuple[np.ndarray, np.ndarray], kind: np.ndarray,
    alive_at: Sequence[int], table: Moves, panels: int,
) -> list[np.ndarray]:  # fmt: skip
    """Return for each step the probability from every state of the record before to every next.

    again: whether each state is of the plan, and by how much each record's values speak for the
    fibre of the record before.
    """
    panel, place, size, regime, sign = field
    inside, repeat = again
    last = np.where(sign > 0, size - 1 - place, place)
    leave = np.where(last == 0, 0.95, np.where(last == 1, 0.02, 0.008))
    entry = np.where(sign > 0, place, size - 1 - place)
    enter = np.where(
        entry == 0, 0.85, np.where(entry == 1, 0.02, np.where(entry == size - 1, 0.05, 0.05 / size))
    )
    count, width = table.between.shape[-1], 2 * REACH + 1
    other = 0.2 / min(max(panels, 1), 20)
    # panels apart by -2 and less, -1, 0 (told apart by move instead), 1, 2 and more
    apart = np.array([other, 0.1, 0.0, 0.7, other])
    within, between = table.within.ravel(), table.between.ravel()
    out = [np.zeros(0)]
    t, wide = 1, panel.shape[2] ** 2
    while t < len(alive_at):
        n = alive_at[t]
        # several steps at a time, so that short ones are not all overhead
        end = min(len(alive_at), t + max(1, TOGETHER // (n * wide)))
        last_t, this_t = slice(t - 1, end - 1), slice(t, end)
        regimes = regime[last_t, :n, :, None] * count + regime[this_t, :n, None, :]
        pair = regimes + kind[:n, None, None] * (count * count)
        move = place[this_t, :n, None, :] - place[last_t, :n, :, None]
        move *= sign[this_t, :n, None, :]
        same = (move == 0) & inside[this_t, :n, None, :] & inside[last_t, :n, :, None]
        np.maximum(move, -REACH, out=move)
        np.minimum(move, REACH, out=move)
        far = panel[this_t, :n, None, :] - panel[last_t, :n, :, None]
        near = within.take(pair * width + move + REACH)
        near *= np.where(same, repeat[this_t, :n, None, None], np.float32(1))
        passed = (entry[this_t, :n] == 1) * (count * count)
        away = between.take(pair + kind[:n, None, None] * (count * count) + passed[..., None, :])
        away *= leave[last_t, :n, :, None]
        away *= enter[this_t, :n, None, :]
        away *= apart.take(np.minimum(np.maximum(far, -2), 2) + 2)
        made = np.where(far == 0, near, away).astype(np.float32)
        out.extend(made[step - t, : alive_at[step]] for step in range(t, end))
        t = end
    return out
