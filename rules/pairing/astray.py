"""Stretches that break the order of panels, while a panel of like name has no reading.

A counting meter repeats one wrong sign of a panel's name in every label of the panel. If that is
another planned panel's name and nobody else claims that panel, each label fits to the letter and
the ledger is clean: only the order in which the crew took the panels tells.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rules.pairing.candidates import Typed, distance
from rules.pairing.case import Case

LEAST = 3
"""Records of a run in one panel, one after another, that make a stretch; a panel with fewer
readings counts as unread."""
MOST_FURTHER = 1
"""Signs that one slip of the keys puts between two names."""


@dataclass(frozen=True)
class Stretch:
    """Records of one run in one panel, one after another."""

    run: int
    panel: int
    records: np.ndarray


@dataclass(frozen=True)
class Order:
    """What the order in which panels were taken says of each record of a class."""

    instead: np.ndarray
    """The unit that a record of a section which breaks the order may be of instead, else -1."""
    kept: np.ndarray
    """Whether its stretch goes on from the panel before and the next one goes on from it."""
    broken: np.ndarray
    """Whether its section breaks the order."""
    looked: np.ndarray
    """The panels whose readings decide it, as run x panels + panel."""


def of_panels(case: Case, unit: np.ndarray, sweep: np.ndarray, typed: Mapping[str, Typed]) -> Order:
    """Look at the order of panels, that in which the same instrument did its runs included.

    A section, stretches of one run in panels beside each other, breaks the order where it is beside
    neither the panel before nor the one after. What it may be of instead are panels beside either,
    of like names and as far from each other, with fewer than LEAST readings but for such as break
    the order too.

    unit: per record of the class, -1 outside; sweep: -1 where none; typed: labels of the others.
    """
    panels = len(case.grid.sizes)
    out = np.full(len(unit), -1, dtype=np.int64)
    looked: set[int] = set()
    stretches = _stretches(case, unit)
    found = _sections(stretches)
    sides = _beside(case, found)
    broken = [_broken(each, *near, sweep) for each, near in zip(found, sides, strict=True)]
    sound = [
        stretch.records
        for each, odd in zip(found, broken, strict=True) if not odd
        for stretch in each
    ]  # fmt: skip
    read = np.unique(unit[np.concatenate([np.zeros(0, dtype=np.int64), *sound])])
    readings = np.bincount(case.grid.panel[read], minlength=panels)
    for each, near, odd in zip(found, sides, broken, strict=True):
        for away in _moves(each, *near) if odd else ():
            units = [_like(case, unit, stretch, stretch.panel + away, typed) for stretch in each]
            there = [unit for unit in units if unit is not None]
            if len(there) < len(each):
                continue
            wanted = [stretch.panel + away for stretch in each]
            looked.update(each[0].run * panels + panel for panel in wanted)
            if readings[wanted].max() < LEAST and out[each[0].records[0]] < 0:
                out[np.concatenate([stretch.records for stretch in each])] = np.concatenate(there)
    kept = np.zeros(len(unit), dtype=bool)
    for stretch, near in zip(stretches, _beside(case, [[each] for each in stretches]), strict=True):
        goes_on = all(side is not None and abs(side - stretch.panel) <= 1 for side in near)
        kept[stretch.records] = goes_on and (sweep[stretch.records] < 0).all()
    out_of_order = np.zeros(len(unit), dtype=bool)
    for each, odd in zip(found, broken, strict=True):
        for stretch in each if odd else ():
            out_of_order[stretch.records] = True
    kept &= ~out_of_order
    return Order(out, kept, out_of_order, np.array(sorted(looked), dtype=np.int64))


def _stretches(case: Case, unit: np.ndarray) -> list[Stretch]:
    """Return the stretches in the order of work; what stands outside the plan ends none."""
    placed = np.flatnonzero(unit >= 0)
    panel, run = case.grid.panel[unit[placed]], case.run[placed]
    cuts = np.flatnonzero((panel[1:] != panel[:-1]) | (run[1:] != run[:-1])) + 1
    heads = np.r_[0, cuts][: len(placed)]
    parts = zip(run[heads].tolist(), panel[heads].tolist(), np.split(placed, cuts), strict=False)
    return [Stretch(*part) for part in parts if len(part[2]) >= LEAST]


def _sections(stretches: Sequence[Stretch]) -> list[list[Stretch]]:
    out: list[list[Stretch]] = []
    for each in stretches:
        last = out[-1][-1] if out else None
        if last is not None and last.run == each.run and abs(last.panel - each.panel) <= 1:
            out[-1].append(each)
        else:
            out.append([each])
    return out


def _beside(case: Case, found: Sequence[Sequence[Stretch]]) -> list[tuple[int | None, int | None]]:
    """Return for each section the panels before and after it, where known."""
    first = {each[0].run: each[0].panel for each in reversed(found)}
    last = {each[0].run: each[-1].panel for each in found}
    after = {run: n for n, run in enumerate(case.before.tolist()) if run >= 0}
    out = []
    for n, each in enumerate(found):
        run = each[0].run
        before, behind = last.get(int(case.before[run])), first.get(after.get(run, -1))
        if n and found[n - 1][0].run == run:
            before = found[n - 1][-1].panel
        if n + 1 < len(found) and found[n + 1][0].run == run:
            behind = found[n + 1][0].panel
        out.append((before, behind))
    return out


def _broken(
    section: Sequence[Stretch], before: int | None, after: int | None, sweep: np.ndarray
) -> bool:
    """Say whether a section is beside nothing; sweeps stand where they stand in any order."""
    if before is None and after is None:
        return False
    fits = before is not None and abs(before - section[0].panel) <= 1
    fits |= after is not None and abs(after - section[-1].panel) <= 1
    return not fits and all((sweep[stretch.records] < 0).all() for stretch in section)


def _moves(section: Sequence[Stretch], before: int | None, after: int | None) -> list[int]:
    """Return how many panels on a section would be beside those before and after it.

    First those that bring it beside both, and those that go on from panel to panel.
    """
    ends = ((before, section[0].panel), (after, section[-1].panel))
    away = Counter(
        side + step - own for step in (1, 0, -1) for side, own in ends if side is not None
    )
    return [move for move, _ in away.most_common()]


def _like(
    case: Case, unit: np.ndarray, stretch: Stretch, panel: int, typed: Mapping[str, Typed]
) -> np.ndarray | None:
    """Return the units of another panel that a stretch may be of, None where its name is unlike.

    Most labels must be at most one sign further from it than from where they seem to be.
    """
    grid, own = case.grid, unit[stretch.records]
    if not 0 <= panel < len(grid.sizes):
        return None
    units = np.array([grid.unit_at(panel, port) for port in grid.port[own].tolist()])
    if (units < 0).any():
        return None
    near = 0
    for record, here, there in zip(
        stretch.records.tolist(), own.tolist(), units.tolist(), strict=True
    ):
        info = typed[case.names[record]]
        # a shortened label is compared with as much of the end
        cut = -len(info.solid) if info.tails else 0
        forms = [[form[cut:] for form in grid.solid(at)] for at in (here, there)]
        least, other = (distance(info.solid, each)[0] for each in forms)
        near += other <= least + MOST_FURTHER
    return units if 2 * near > len(units) else None
