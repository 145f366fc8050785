"""What other records say of a place: claims on one link, and the same fibre measured before."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules.pairing import physics
from rules.pairing.candidates import OUTSIDE, States
from rules.pairing.parameters import Parameters

NEAR = 4
"""A second reading this many records away is a retest, not a rival."""


def rivals(
    states: States, probability: np.ndarray, row: np.ndarray, run_of: np.ndarray, way: np.ndarray,
    panel: np.ndarray, retest: np.ndarray, again: np.ndarray, p: Parameters,
) -> np.ndarray:  # fmt: skip
    """Return thousandths of a bit against each state whose link other records claim.

    Claims count where they come from another run, or from the same run at a distance, with the
    same direction `way`. Each record's claim is its probability there; retests are no rivals.
    Crews come back to whole panels, not to single ports: the claims against one run in one panel
    (`panel` of each unit) are one piece of evidence, shared out over its records. Records whose
    label says retest, and units expected to be measured again, rival nobody. row: where each
    record stands among those of its run.
    """
    base = int(way.max(initial=0)) + 1
    unit, record = states.unit, states.record
    inside = states.form != OUTSIDE
    top = int(unit.max(initial=0)) + 1
    spot = record.astype(np.int64) * top + unit
    spots, where = np.unique(spot, return_inverse=True)
    claim = np.bincount(where, weights=probability * inside, minlength=len(spots))
    rec, at = spots // top, spots % top
    key = at * base + way[rec]
    order = np.lexsort((row[rec], run_of[rec], key))
    claim, rec, key, run = claim[order], rec[order], key[order], run_of[rec[order]]
    absent = np.log2(np.maximum(1 - np.minimum(claim, 0.999), 1e-3))
    absent[(claim < 0.02) | retest[rec] | np.isin(at, again)] = 0.0
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    size = np.diff(np.r_[starts, len(key)])
    total = np.repeat(np.add.reduceat(absent, starts), size) if len(key) else absent
    own = absent.copy()
    for gap in range(1, 2 * NEAR + 1):
        if gap >= len(key):
            break
        same = (key[gap:] == key[:-gap]) & (run[gap:] == run[:-gap])
        same &= row[rec[gap:]] - row[rec[:-gap]] <= NEAR
        own[gap:] += np.where(same, absent[:-gap], 0.0)
        own[:-gap] += np.where(same, absent[gap:], 0.0)
    message = np.clip(total - own, p.claim_floor_bits, 0.0)
    block = run.astype(np.int64) * (int(panel.max(initial=0)) + 1) + panel[key // base]
    blocks, within = np.unique(block, return_inverse=True)
    rivalled = np.bincount(within, weights=message < -0.5, minlength=len(blocks))
    message[retest[rec]] = 0.0
    message *= np.minimum(1.0, 2.0 / np.maximum(rivalled, 1.0))[within]
    back = np.empty(len(order))
    back[order] = message
    bits = np.where(inside, back[where], 0.0)
    return np.asarray(np.rint(1000 * bits), dtype=np.int64)


def second_visits(
    states: States, probability: np.ndarray, loss_db: np.ndarray, run_of: np.ndarray,
    units: int,
) -> np.ndarray:  # fmt: skip
    """Return thousandths of a bit for a place whose fibre another run measured alike.

    Compares each record's loss, less its run's median, with what the other runs found on the same
    unit, against what any two fibres of the run differ by. Nothing where no other run was there.
    """
    record, unit = states.record, states.unit
    mean = physics.mean_of_windows(loss_db)
    centred, spread = _centred(mean, run_of)
    take = (states.form != OUTSIDE) & (probability > 0.05) & np.isfinite(centred[record])
    runs = int(run_of.max(initial=0)) + 1
    spot = unit[take].astype(np.int64) * runs + run_of[record[take]]
    spots, where = np.unique(spot, return_inverse=True)
    weight = np.bincount(where, weights=probability[take])
    value = np.bincount(where, weights=probability[take] * centred[record[take]])
    all_weight = np.bincount(spots // runs, weights=weight, minlength=units)
    all_value = np.bincount(spots // runs, weights=value, minlength=units)
    mine = np.searchsorted(spots, unit.astype(np.int64) * runs + run_of[record])
    mine = np.minimum(mine, max(len(spots) - 1, 0))
    hit = (
        spots[mine] == unit.astype(np.int64) * runs + run_of[record]
        if len(spots)
        else np.zeros(len(unit), bool)
    )
    others = all_weight[unit] - np.where(hit, weight[mine] if len(spots) else 0.0, 0.0)
    total = all_value[unit] - np.where(hit, value[mine] if len(spots) else 0.0, 0.0)
    known = (others > 0.5) & (states.form != OUTSIDE) & np.isfinite(centred[record])
    off = centred[record] - total / np.maximum(others, 1e-9)
    wide = np.maximum(spread[record], physics.AGREE_DB)
    near = (
        np.log2(wide * 1.4 / physics.AGREE_DB / 1.4)
        - 0.7213 * (off / (physics.AGREE_DB * 1.4)) ** 2
    )
    far = -0.7213 * (off / (wide * 1.4)) ** 2
    bits = np.where(known, np.clip(near - far, -2.0, 2.0), 0.0)
    return np.asarray(np.rint(1000 * bits), dtype=np.int64)


def _centred(mean: np.ndarray, run_of: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return each record's loss less the median of the records around it, and the run's spread.

    The spread is robust: a few failed fibres must not make all the others look alike.
    """
    runs = pd.Series(mean).groupby(run_of)
    around = runs.rolling(25, center=True, min_periods=5).median().droplevel(0).sort_index()
    centred = mean - around.to_numpy()
    spread = 1.4826 * pd.Series(np.abs(centred)).groupby(run_of).transform("median").to_numpy()
    return centred, np.where(np.isfinite(spread), spread, physics.AGREE_DB)
