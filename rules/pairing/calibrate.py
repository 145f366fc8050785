"""Confidence from simulated crews: a step map from probability to share right, per stratum."""

from __future__ import annotations

import numpy as np

from rules.pairing.gate import STRATA, log_odds, shares
from rules.pairing.parameters import Calibration, knots

EDGES = (-20.0, 0.0, 3.0, 6.0, 8.0, 10.0, 12.0)
"""Bins of log2 odds."""


def fit(
    stratum: np.ndarray, probability: np.ndarray, right: np.ndarray,
    prior: Calibration = (), weight: float = 0.0,
) -> Calibration:  # fmt: skip
    """Return knots (log2 odds, share right) per stratum of STRATA, rising in both.

    A share is (right + 1/2) / (n + 1), so that few cases claim little; neighbouring bins that
    would fall are pooled (Ayer and others 1955, pool adjacent violators). prior: an earlier map
    that counts in every bin like `weight` cases of its own share.
    """
    bits = log_odds(probability)
    earlier = knots(prior)
    out = []
    for name in STRATA:
        mine = np.isin(stratum, [STRATA.index(other) for other in _pooled(name)])
        bins = np.digitize(bits[mine], EDGES[1:])
        total = np.bincount(bins, minlength=len(EDGES)).astype(float)
        hits = np.bincount(bins, weights=right[mine], minlength=len(EDGES)).astype(float)
        if prior and weight:
            hits = hits + weight * shares(earlier.get(name, ()), np.array(EDGES))
            total = total + weight
        blocks: list[list[float]] = []
        for edge, n, h in zip(EDGES, total.tolist(), hits.tolist(), strict=True):
            blocks.append([edge, n, h])
            while len(blocks) > 1 and _share(blocks[-2]) >= _share(blocks[-1]):
                _, more, hit = blocks.pop()
                blocks[-1][1] += more
                blocks[-1][2] += hit
        out.append((name, tuple((b[0], round(_share(b), 5)) for b in blocks)))
    return tuple(out)


def _pooled(name: str) -> tuple[str, ...]:
    """Return the strata whose cases count for one, so that a rare kind is not judged by few cases.

    Where every port of a panel is claimed once, or the unread ones were passed before, it matters
    little how the labels of the run came to be; where unread ports are ahead it is what tells a
    skipped port from a counter that slipped.
    """
    if not name.removeprefix("messy ").startswith(("clean ", "beside ", "passed ")):
        return (name,)
    kinds = {name, name.replace("by hand", "full"), name.replace("full", "by hand")}
    return tuple(sorted(kinds))


def _share(block: list[float]) -> float:
    return (block[2] + 0.5) / (block[1] + 1.0)
