"""The states of the records of one stretch, from the labels themselves and those beside them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence

import numpy as np
from rapidfuzz import process
from rapidfuzz.distance import OSA

from rules import columns
from rules.pairing import candidates
from rules.pairing.candidates import (
    AMBIGUOUS,
    EXACT,
    MISSING,
    MISTYPED,
    NORMALISED,
    OTHER_END,
    OUTSIDE,
    SHIFTS,
    TAIL,
    UNRELATED,
    Typed,
)
from rules.pairing.grid import FORMS, Grid
from rules.pairing.parameters import Parameters

REACH = 60
"""How many records away a neighbour still says where the crew stands."""
WIDTH = 64
"""Most states of one record."""
OUTSIDES = 24
"""Most of them that are outside the plan."""
STAYS = (0, 2, 3)
"""The regimes in which a place outside the plan keeps the crew's place."""
BEFORE, AFTER, PAST = 5, 6, 7
"""Regimes: the panel of the label is the one before the true one, the one after it, either."""


def states(
    infos: Sequence[Typed], grid: Grid, sign: np.ndarray, guess: Sequence[int], p: Parameters
) -> tuple[np.ndarray, np.ndarray]:
    """Return the states of the records of one stretch, and how many each record has.

    Columns: unit, target, regime, form, thousandths of a bit; in the order of records, then of
    columns. infos: what each label says. guess: where each record probably stands by an earlier
    round, -1 unknown; used where the label alone does not say.
    """
    anchors = [
        i.full[0][0] if len(i.full) == 1 else unit for i, unit in zip(infos, guess, strict=True)
    ]
    heads = Counter(i.head for i in infos if not i.full and not i.panels)
    panels = set(grid.panel[[u for u in anchors if u >= 0]].tolist())
    about = {q for a in panels for q in (a - 1, a, a + 1) if 0 <= q < len(grid.sizes)}
    around = dict.fromkeys(sorted(about))
    expected = _expected(infos, anchors, sign.tolist(), grid)
    meant = [
        _targets(info, units, around, heads, grid, p)
        for info, units in zip(infos, expected, strict=True)
    ]
    _exchange(infos, anchors, meant, grid, p)
    others: list[tuple[int, int, int, int, int, int]] = []
    outside: list[tuple[int, int, int]] = []
    for t, (info, step) in enumerate(zip(infos, sign.tolist(), strict=True)):
        stays = [u - step for u in expected[t]] if expected[t] else list(meant[t])[:2]
        if info.job and not info.full:
            meant[t] = {}
        elif not info.full and info.port >= 0 and info.head:
            others += [(t, *state) for state in _off_the_end(info, around, step, grid, p)]
            others += [(t, *state) for state in _past(info, around, grid, p)]
        weight = _outside(info, p)
        places = [u for u in dict.fromkeys(stays or [0]) if 0 <= u < grid.units]
        outside += [(t, u, weight) for u in places]
        if not places and not meant[t] and not (others and others[-1][0] == t):
            others.append((t, 0, -1, 0, OUTSIDE, weight))
    held = np.array(outside, dtype=np.int64).reshape(-1, 3).repeat(len(STAYS), axis=0)
    none = np.full(len(held), -1)
    return _in_order(
        np.concatenate(
            [
                _off_by(meant, sign, around, grid),
                np.array(others, dtype=np.int64).reshape(-1, 6),
                np.c_[
                    held[:, :2], none, np.tile(STAYS, len(outside)), none + 1 + OUTSIDE, held[:, 2]
                ],
            ]
        ),
        len(infos),
    )


def _nearest(anchors: Sequence[int]) -> tuple[list[int], list[int]]:
    """Return the nearest anchored record before and after each record, -1 beyond reach."""
    before, after, last = [], [-1] * len(anchors), -1
    for t, unit in enumerate(anchors):
        before.append(last if last >= 0 and t - last <= REACH else -1)
        last = t if unit >= 0 else last
    last = -1
    for t in range(len(anchors) - 1, -1, -1):
        after[t] = last if last >= 0 and last - t <= REACH else -1
        last = t if anchors[t] >= 0 else last
    return before, after


def _expected(
    infos: Sequence[Typed], anchors: Sequence[int], sign: Sequence[int], grid: Grid
) -> list[list[int]]:
    """Return the units where the neighbours say that the crew stands, likeliest first."""
    before, after = _nearest(anchors)
    out = []
    for t, (info, step) in enumerate(zip(infos, sign, strict=True)):
        units = []
        if before[t] >= 0:
            units.append(anchors[before[t]] + step * (t - before[t]))
        if after[t] >= 0:
            units.append(anchors[after[t]] - step * (after[t] - t))
        units = [u for u in units if 0 <= u < grid.units]
        if not info.full and not info.tails:
            units += _among(infos, t, step, grid)
        out.append(list(dict.fromkeys(units)))
    return out


def _among(infos: Sequence[Typed], t: int, step: int, grid: Grid) -> list[int]:
    """Return the units that shortened labels beside a record leave open for it.

    Without them the record would hold the whole run at the few places it knows itself.
    """
    for n in (t - 1, t + 1, t - 2, t + 2, t - 3, t + 3):
        if 0 <= n < len(infos) and infos[n].tails:
            there = [(u, u + step * (t - n)) for u in infos[n].tails[:AMBIGUOUS]]
            return [v for u, v in there if 0 <= v < grid.units and grid.panel[u] == grid.panel[v]]
    return []


def _targets(
    info: Typed, expected: Sequence[int], around: Collection[int], heads: Counter[str],
    grid: Grid, p: Parameters,
) -> dict[int, tuple[int, int]]:  # fmt: skip
    """Return the units whose label may have been meant, as {unit: (millibits, form)}."""
    out: dict[int, tuple[int, int]] = {}
    for unit, form in info.full:
        full = {EXACT: p.exact_bits, NORMALISED: p.normalised_bits, OTHER_END: p.other_end_bits}
        out[unit] = (_milli(full[form]), form)
    if info.tails:
        # where others of the run seem to stand comes first, but never instead of all other panels
        away = zip(grid.panel[[*info.tails]].tolist(), info.tails, strict=True)
        tails = sorted(away, key=lambda pu: pu[0] not in around)
        for _, unit in tails[:AMBIGUOUS]:
            out.setdefault(unit, (_milli(p.tail_bits), TAIL))
    often = min(heads[info.head], 8) if info.head else 1
    for unit, edits in info.near:
        out.setdefault(unit, (_milli(_edit(p, edits) / max(often, 1) - 0.5), MISTYPED))
    if info.blank:
        return out | {u: (_milli(p.missing_bits), MISSING) for u in expected}
    wanted = list(expected) if info.full else [u + d for u in expected for d in (0, 1, -1)]
    if not info.full and info.port >= 0:
        wanted += [unit for q in around if (unit := grid.unit_at(q, info.port)) >= 0]
    for unit in dict.fromkeys(wanted):
        if unit in out or not 0 <= unit < grid.units:
            continue
        edits, shortened = candidates.distance(info.solid, grid.solid(unit))
        # of all slips only one in many hits upon another planned label
        cost = _edit(p, edits) - 1.5 * shortened
        if info.full:
            cost -= p.known_bits + 4.0 * info.retest
        if int(grid.port[unit]) == info.port and often > 2 and edits <= 2:
            cost = cost / often - 0.5
        if cost > p.unrelated_bits and 3 * edits <= len(info.solid):
            out[unit] = (_milli(cost), MISTYPED)
        elif unit in expected:
            out[unit] = (_milli(p.unrelated_bits), UNRELATED)
    return out


def _edit(p: Parameters, edits: int) -> float:
    return p.edit_bits + p.more_edits_bits * (edits - 1) if edits else 0.0


def _instead(anchors: Sequence[int], grid: Grid) -> list[list[tuple[int, int]]]:
    """Return for each record the panels where its stretch would be expected, and its length.

    A counting meter repeats one wrong sign of a panel's name in every label of the panel; if that
    is another panel's name, only the stretches before and after it speak against it.
    """
    stretches: list[list[int]] = []
    for t, unit in enumerate(anchors):
        panel = int(grid.panel[unit]) if unit >= 0 else -1
        if stretches and (panel < 0 or panel == stretches[-1][0]):
            stretches[-1][2] = t
        elif panel >= 0:
            stretches.append([panel, t, t])
    out: list[list[tuple[int, int]]] = [[] for _ in anchors]
    for n, (panel, start, stop) in enumerate(stretches):
        wanted = set()
        if n:
            wanted |= {stretches[n - 1][0], stretches[n - 1][0] + 1}
        if n + 1 < len(stretches):
            wanted |= {stretches[n + 1][0], stretches[n + 1][0] - 1}
        length = stop - start + 1
        out[start : stop + 1] = [[(q, length) for q in sorted(wanted) if q != panel]] * length
    return out


def _exchange(
    infos: Sequence[Typed], anchors: Sequence[int], meant: Sequence[dict[int, tuple[int, int]]],
    grid: Grid, p: Parameters,
) -> None:  # fmt: skip
    """Add the units of other panels for which full labels may stand that are one sign away."""
    asked = [
        (t, unit, length)
        for t, (info, panels) in enumerate(zip(infos, _instead(anchors, grid), strict=True))
        if info.full
        for panel, length in panels
        if (unit := grid.unit_at(panel, info.port)) >= 0 and unit not in meant[t]
    ]
    typed = [infos[t].solid for t, _, _ in asked]
    edits = np.full(len(asked), 9, dtype=np.uint8)
    for forms in zip(*(grid.solid(unit)[: len(FORMS)] for _, unit, _ in asked), strict=True):
        found = process.cpdist(typed, forms, scorer=OSA.distance, score_cutoff=1, dtype=np.uint8)
        edits = np.where([form != "" for form in forms], np.minimum(edits, found), edits)
    for n in np.flatnonzero(edits == 1).tolist():
        t, unit, length = asked[n]
        # written as the label it is, and meant for another link
        cost = (p.edit_bits - 3 * p.known_bits) / length
        as_is = max(meant[t][u][0] for u, _ in infos[t].full)
        meant[t][unit] = (as_is + _milli(cost), MISTYPED)


def _off_the_end(
    info: Typed, around: Collection[int], step: int, grid: Grid, p: Parameters
) -> list[tuple[int, int, int, int, int]]:
    """Return the last (or first) ports of panels whose labels are off by a port or two.

    A label one past the end of its panel is what a counter one too high shows at the last port.
    """
    out = []
    for panel in info.panels:
        if len(info.panels) > 1 and panel not in around:
            continue
        low, high = int(grid.starts[panel]), int(grid.starts[panel + 1])
        over = info.port - int(grid.port[low:high].max())
        under = info.port - int(grid.port[low:high].min())
        off = over if over > 0 else min(under, 0)
        if not 0 < abs(off) <= 2:
            continue
        shortened = len(info.panels) > 1
        cost = p.tail_bits if shortened else p.exact_bits
        for regime in (1, 2, 3, 4):
            # label = place + shift x step, for a label that lies `off` past the end
            unit = (high - 1 if off > 0 else low) + off - SHIFTS[regime] * step
            if low <= unit < high:
                form = TAIL if shortened else EXACT
                out.append((unit, -1, regime, form, _milli(cost)))
    return out


def _past(
    info: Typed, around: Collection[int], grid: Grid, p: Parameters
) -> list[tuple[int, int, int, int, int]]:
    """Return the ports of the next panel that a label counted on past its own panel may mean."""
    shortened = len(info.panels) > 1
    form, cost = (TAIL, p.tail_bits) if shortened else (NORMALISED, p.normalised_bits)
    out = []
    for panel in info.panels:
        if shortened and panel not in around:
            continue
        over, after = info.port - int(grid.sizes[panel]) - 1, grid.neighbour(panel, 1)
        if over >= 0 and after >= 0 and over < int(grid.sizes[after]):
            out.append((int(grid.starts[after]) + over, -1, PAST, form, _milli(cost)))
    return out


def _outside(info: Typed, p: Parameters) -> int:
    """Return what the label says, in thousandths of a bit, if it stands outside the plan."""
    if info.job and not info.full:
        return 0
    if info.blank:
        return _milli(p.missing_bits)
    if info.panels and not info.tails and info.port >= 0:
        return _milli(p.outside_bits + 3)  # a port past the panel's end: a spare, most likely
    return _milli(p.outside_known_bits if info.full else p.outside_bits)


def _off_by(
    meant: Sequence[dict[int, tuple[int, int]]], sign: np.ndarray, around: Collection[int],
    grid: Grid,
) -> np.ndarray:  # fmt: skip
    """Return the states in which a label may be meant: as it is, and off by ports or a panel.

    meant: of each record, the units whose label may have been meant, as {unit: (bits, form)}.
    Columns: record, then those of `states`.
    """
    count = np.array([len(targets) for targets in meant])
    record = np.repeat(np.arange(len(meant)), count)
    target = np.array([unit for targets in meant for unit in targets], dtype=np.int64)
    said = [what for targets in meant for what in targets.values()]
    bits, form = np.array(said, dtype=np.int64).reshape(-1, 2).T
    panel = grid.panel[target]
    near = np.isin(panel, list(around))
    few = near | (count[record] <= 16)
    low, high = grid.starts[panel], grid.starts[panel + 1]
    unit = np.repeat(target[:, None], 7, axis=1)
    fits = np.zeros(unit.shape, dtype=bool)
    fits[:, 0] = True
    vague = (form == UNRELATED) | (form == MISSING)
    for regime in range(1, len(SHIFTS)):
        off = target - SHIFTS[regime] * sign[record]
        unit[:, regime] = off
        fits[:, regime] = few & (low <= off) & (off < high)
        if abs(SHIFTS[regime]) > 1:
            fits[:, regime] &= ~vague
    named = few & (form < MISTYPED) & (near | (form != TAIL))
    for regime, other in ((BEFORE, panel + 1), (AFTER, panel - 1)):
        there = np.clip(other, 0, len(grid.sizes) - 1)
        unit[:, regime] = grid.starts[there] + target - low
        fits[:, regime] = named & (other == there) & (target - low < grid.sizes[there])
    row, off_by = np.nonzero(fits)
    table = record[row], unit[row, off_by], target[row], off_by, form[row], bits[row]
    return np.stack(table, axis=1)


def _in_order(table: np.ndarray, records: int) -> tuple[np.ndarray, np.ndarray]:
    """Sort states by record and columns, and leave out the least likely where there are too many.

    table: record, then the columns of `states`.
    """
    record, unit, target, regime, form, bits = table.T
    count: np.ndarray = np.bincount(record, minlength=records)
    many = np.flatnonzero(count[record] > WIDTH)
    if len(many):
        outside = form == OUTSIDE
        keys = record, outside, -bits, regime != 0, unit, regime, form
        many = many[columns.sorted_rows(*(key[many] for key in keys))]
        place = columns.occurrence(record[many] * 2 + outside[many])
        beyond = np.minimum(np.bincount(record[outside], minlength=records), OUTSIDES)
        most = np.where(outside, OUTSIDES, WIDTH - beyond[record])[many]
        table = np.delete(table, many[place >= most], axis=0)
        return _in_order(table, records)
    order = columns.sorted_rows(record, unit, target, regime, form, bits)
    return table[order, 1:].astype(np.int32), count


def _milli(bits: float) -> int:
    return round(1000 * bits)
