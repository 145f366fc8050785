"""The ledger of each panel: is every port claimed once, and does anything stand beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules import columns
from rules.pairing.claims import NEAR
from rules.pairing.grid import Grid

CLEAN, BESIDE, PASSED, PASSED_BESIDE, GAP, GAP_BESIDE, PART, OPEN = range(8)
"""Every port claimed once; the same with an unplaced reading beside the panel's, or a port or two
claimed twice; ports without a reading that the run has passed already; a port or two without one
still ahead in the order of work (each again with unplaced readings or double claims); many ports
ahead without a reading, and nothing else amiss; anything else.

A counter that ran off by one unseen, over a skipped port, says one too little until somebody
notices, and then leaves out a number: such a port stands ahead of every record it put wrong."""
MOST_GAPS = 2
WAYS = 16
"""Ways to measure a link that do not rival each other, at most."""


@dataclass(frozen=True)
class Ledger:
    """Per record: the state of its panel's ledger, and whether its own link has a rival."""

    state: np.ndarray
    rival: np.ndarray
    edge: np.ndarray
    """Whether a port next to the record's own is unread."""
    unclaimed: dict[tuple[int, int], tuple[int, ...]]
    """Units without a claim by (panel, direction number), where any unit of the panel has one."""

    def take(self, rows: np.ndarray) -> Ledger:
        """Return the ledger of some records."""
        return Ledger(self.state[rows], self.rival[rows], self.edge[rows], self.unclaimed)


def of_claims(
    grid: Grid, unit: np.ndarray, run_of: np.ndarray, way: np.ndarray, loose: np.ndarray,
    noted: np.ndarray, exempt: np.ndarray, vague: np.ndarray, sign: np.ndarray,
    misfit: np.ndarray,
) -> Ledger:  # fmt: skip
    """Draw up the ledgers from the most probable places.

    unit: per record, -1 where outside; records in order of work. loose: records without a place
    they are probably at (outside the plan, or nothing near certain), which spoil the panels
    worked on just before and after them. noted: units that the crew noted as skipped: no gap.
    exempt: records that rival nobody (retests). vague: records whose shortened labels do not say
    which panel they are of; they rival nobody either, but stand beside the one they seem to be of.
    sign: 1 where the crew counts up around a record, -1 where down. misfit: records that may well
    be of something else than the port they seem to be of, which so counts as unread.
    """
    records = np.arange(len(unit))
    placed = unit >= 0
    key = np.where(placed, unit * WAYS + way, -1)
    ring = np.where(exempt, -1, key)
    order = np.lexsort((records, ring))
    key_o, run_o = ring[order], run_of[order]
    same = (key_o[1:] == key_o[:-1]) & (key_o[1:] >= 0)
    close = (run_o[1:] == run_o[:-1]) & (np.abs(order[1:] - order[:-1]) <= NEAR)
    clash = same & ~close
    rival = np.zeros(len(unit), dtype=bool)
    seeming = np.zeros(len(unit), dtype=bool)
    for side, other in ((order[1:], order[:-1]), (order[:-1], order[1:])):
        only_seems = vague[other] & ~vague[side]
        rival[side[clash & ~only_seems]] = True
        seeming[side[clash & only_seems]] = True
    # a retest of a rivalled record is rivalled too
    keys = np.unique(key[rival & placed & ~vague])
    rival |= np.isin(key, keys) & placed
    panel = np.where(placed, grid.panel[np.maximum(unit, 0)], -1)
    block = panel * WAYS + way
    beside = set(block[seeming].tolist())
    for record in np.flatnonzero(loose):
        for step in (-1, 1):
            at = record + step
            while 0 <= at < len(unit) and run_of[at] == run_of[record] and loose[at]:
                at += step
            if 0 <= at < len(unit) and run_of[at] == run_of[record]:
                beside.add(int(block[at]))
    claimed = np.unique(key[placed])
    count = np.bincount(
        grid.panel[claimed // WAYS] * WAYS + claimed % WAYS, minlength=len(grid.sizes) * WAYS
    )
    missing = np.repeat(grid.sizes, WAYS) - count
    for unit_noted in noted.tolist():
        ways = np.arange(WAYS)
        absent = ~np.isin(unit_noted * WAYS + ways, claimed)
        missing[grid.panel[unit_noted] * WAYS + ways[absent]] -= 1
    ahead, behind, edge = _holes(grid, unit, run_of, way, noted, sign, misfit)
    state = np.full(len(unit), OPEN)
    state[placed] = CLEAN
    state[placed & (behind > 0)] = PASSED
    state[placed & (ahead > 0) & (ahead <= MOST_GAPS)] = GAP
    state[placed & (ahead > MOST_GAPS)] = PART
    spoilt = np.isin(block, sorted(beside))
    state[(state != OPEN) & spoilt] += 1
    twice = np.bincount(
        grid.panel[keys // WAYS] * WAYS + keys % WAYS, minlength=len(grid.sizes) * WAYS
    )[np.maximum(block, 0)]
    state[np.isin(state, (CLEAN, PASSED, GAP, PART)) & (twice > 0)] += 1
    state[twice > MOST_GAPS] = OPEN
    return Ledger(state, rival, edge > 0, _unclaimed(grid, claimed, block[placed], missing))


def _holes(
    grid: Grid, unit: np.ndarray, run_of: np.ndarray, way: np.ndarray, noted: np.ndarray,
    sign: np.ndarray, misfit: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Count for each record the unread ports ahead, behind in the order of work, and beside.

    They count as far as the run went in its panel, and on to the first that another run read.
    """
    out = np.zeros((3, len(unit)), dtype=np.int64)
    placed = np.flatnonzero(unit >= 0)
    if not len(placed):
        return out
    at, end = unit[placed], grid.starts[grid.panel + 1]
    stretch = columns.compound(way[placed], run_of[placed], grid.panel[at])
    _, number = np.unique(stretch, return_inverse=True)
    least = np.full(int(number.max()) + 1, grid.units)
    most = np.full(len(least), -1, dtype=np.int64)
    np.minimum.at(least, number, at)
    np.maximum.at(most, number, at)
    for each in np.unique(way[placed]).tolist():
        mine = np.flatnonzero(way[placed] == each)
        here, own = at[mine], number[mine]
        free = np.ones(grid.units, dtype=bool)
        free[here[~misfit[placed[mine]]]] = False
        read = np.flatnonzero(~free)
        free[noted] = False
        hole = np.r_[0, np.cumsum(free)]
        after = np.r_[read, grid.units][np.searchsorted(read, most[own], side="right")]
        before = np.r_[-1, read][np.searchsorted(read, least[own], side="left")]
        top = np.minimum(after, end[here])
        bottom = np.maximum(before + 1, grid.starts[grid.panel[here]])
        above, below = hole[top] - hole[here + 1], hole[here] - hole[bottom]
        up = sign[placed[mine]] > 0
        out[0, placed[mine]] = np.where(up, above, below)
        out[1, placed[mine]] = np.where(up, below, above)
        around = hole[np.minimum(here + 2, top)] - hole[np.maximum(here - 1, bottom)]
        out[2, placed[mine]] = around
    return out


def _unclaimed(
    grid: Grid, claimed: np.ndarray, blocks: np.ndarray, missing: np.ndarray
) -> dict[tuple[int, int], tuple[int, ...]]:
    have = set(claimed.tolist())
    out = {}
    for block in np.unique(blocks[missing[blocks] > 0]).tolist():
        panel, way = divmod(block, WAYS)
        units = range(int(grid.starts[panel]), int(grid.starts[panel + 1]))
        out[panel, way] = tuple(u for u in units if u * WAYS + way not in have)
    return out
