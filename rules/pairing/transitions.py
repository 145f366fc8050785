"""How probable each step of the work is: from port to port, panel to panel, label to label."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from rules.pairing.candidates import REGIMES, SHIFTS
from rules.pairing.parameters import Parameters

REACH = 6
"""Moves within a panel are told apart up to this many ports."""
TINY = 1e-7
BY_HAND = (1.0, 0.08, 0.02)
"""What is left of a counter's slips in a run of each kind: nothing says that its labels were typed
one by one, something does, much does. People who type each label seldom run off by one."""


LEAVE = (0.95, 0.02, 0.008)
"""How likely a panel is left from its last port, the one before it, and any other."""
TOGETHER = 30_000
"""Pairs of states whose transitions are worked out at a time."""

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


def some(place: Place, states: np.ndarray | slice) -> Place:
    """Return the places of some states."""
    return Place(*(getattr(place, field.name)[states] for field in fields(Place)))


def moves(p: Parameters) -> Moves:
    """Work out the transition tables from the rates."""
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


@dataclass(frozen=True)
class Steps:
    """What each state says of the step to it and of the step from it, and the tables to look up.

    One more state than there are, the last: nothing comes from it, so that it stands for none.
    within, between: flat tables; from_within + to_within + move and from_between + to_between are
    places there.
    """

    within: np.ndarray
    between: np.ndarray
    apart: np.ndarray
    """By how many panels two states are apart; within a panel the move tells."""
    panel: np.ndarray
    place: np.ndarray
    sign: np.ndarray
    inside: np.ndarray
    repeat: np.ndarray
    from_within: np.ndarray
    to_within: np.ndarray
    from_between: np.ndarray
    to_between: np.ndarray
    enter: np.ndarray


def steps(place: Place, table: Moves, panels: int) -> Steps:
    """Work out what each state says of the step to it and from it.

    panels: number of panels of the plan, over which an unexpected change of panel is spread.
    """
    kinds, count = len(table.within), len(REGIMES)
    size, regime = place.size, place.regime
    last = np.where(place.sign > 0, size - 1 - place.place, place.place)
    entry = np.where(place.sign > 0, place.place, size - 1 - place.place)
    enter = np.where(
        entry == 0, 0.85, np.where(entry == 1, 0.02, np.where(entry == size - 1, 0.05, 0.05 / size))
    )
    leaving = np.array(LEAVE)[:, None, None] * table.between.transpose(0, 2, 1, 3)[:, :, None]
    none = [(0, 1), *[(0, 0)] * 3]
    most = int(place.panel.max(initial=0)) + 1
    apart = np.full(2 * most + 1, 0.2 / min(max(panels, 1), 20))
    apart[most - 1 : most + 2] = 0.1, 0.0, 0.7
    come = place.kind * count + regime

    def and_none(values: np.ndarray, none: int = 0) -> np.ndarray:
        return np.append(values, values.dtype.type(none))

    return Steps(
        np.pad(table.within, none).ravel(),
        np.pad(leaving, [*none, (0, 0)]).ravel(),
        apart,
        and_none(place.panel),
        and_none(place.place),
        and_none(place.sign),
        and_none(place.inside),
        and_none(np.exp2(place.repeat).astype(np.float32)),
        and_none(come, kinds * count) * (count * (2 * REACH + 1)) + REACH,
        and_none(regime * (2 * REACH + 1)),
        (and_none(come, kinds * count) * len(LEAVE) + and_none(np.minimum(last, 2))) * (2 * count),
        and_none((entry == 1) * count + regime),
        and_none(enter),
    )


def between(
    index: np.ndarray, alive: list[int], widths: list[int], steps: Steps
) -> list[np.ndarray]:
    """Return for each step the probability from every state of the record before to every next.

    index: state at [step, run, number], -1 for none; alive: runs that go on to each step; widths:
    states of each step that count.
    """
    out: list[np.ndarray] = [np.zeros(0)] * len(alive)
    alike: dict[tuple[int, int], list[int]] = {}
    for t in range(1, len(alive)):
        alike.setdefault((widths[t - 1], widths[t]), []).append(t)
    for (before, wide), some in alike.items():
        begin = np.cumsum([0, *(alive[t] for t in some)])
        step = np.repeat(some, np.diff(begin))
        run = np.arange(begin[-1]) - np.repeat(begin[:-1], np.diff(begin))
        last, this = index[step - 1, run, :before], index[step, run, :wide]
        made = np.empty((len(step), before, wide), dtype=np.float32)
        lot = max(1, TOGETHER // (before * wide))
        for at in range(0, len(step), lot):
            part = slice(at, at + lot)
            made[part] = _pairs(last[part], this[part], steps)
        for t, low, high in zip(some, begin[:-1].tolist(), begin[1:].tolist(), strict=True):
            out[t] = made[low:high]
    return out


def _pairs(last: np.ndarray, this: np.ndarray, s: Steps) -> np.ndarray:
    """Return the probability of each step [record, state before, state]."""
    sign, repeat = s.sign[this[:, :1]], s.repeat[this[:, 0]]
    far = s.panel[this][:, None, :] - s.panel[last][:, :, None]
    move = (s.place[this] * sign)[:, None, :] - (s.place[last] * sign)[:, :, None]
    same = (move == 0) & s.inside[this][:, None, :] & s.inside[last][:, :, None]
    np.maximum(move, -REACH, out=move)
    np.minimum(move, REACH, out=move)
    move += s.from_within[last][:, :, None]
    move += s.to_within[this][:, None, :]
    near = s.within.take(move)
    again = np.flatnonzero(same)
    near.reshape(-1)[again] *= repeat[again // (same.shape[1] * same.shape[2])]
    away = s.between.take(s.from_between[last][:, :, None] + s.to_between[this][:, None, :])
    away *= s.enter[this][:, None, :]
    away *= s.apart.take(far + len(s.apart) // 2)
    return np.asarray(np.where(far == 0, near, away))
