"""Confidence from simulated crews: a step map from probability to share right, per stratum."""

from __future__ import annotations

import numpy as np

from rules.pairing.gate import LEDGERS, RUNS, STRATA, log_odds, shares
from rules.pairing.parameters import Calibration, Knots, knots

EDGES = (-20.0, 0.0, 3.0, 6.0, 8.0, 10.0, 12.0)
"""Bins of log2 odds."""
UNREAD = ("passed", "passed beside", "gap", "gap beside", "part")
"""States of a ledger that differ little where labels were typed one by one."""
LIKE = {"passed beside": "passed", "gap beside": "gap", "part": "gap", "open": "gap beside"}
"""A state of a ledger close to this one, by which a rare stratum is judged first."""
LIKE_CASES = 100.0


def fit(
    stratum: np.ndarray, probability: np.ndarray, right: np.ndarray,
    prior: Calibration = (), weight: float = 0.0,
) -> Calibration:  # fmt: skip
    """Return knots (log2 odds, share right) per stratum of STRATA, rising in both.

    A share is (right + 1/2) / (n + 1), so that few cases claim little; neighbouring bins that
    would fall are pooled (Ayer and others 1955, pool adjacent violators). Every stratum starts
    from the map of a like one (`_like`), which counts as `LIKE_CASES` in every bin. prior: an
    earlier map that counts in every bin like `weight` cases of its own share.
    """
    bits = log_odds(probability)
    earlier, made = knots(prior), dict[str, Knots]()
    at = np.array(EDGES)
    for name in sorted(STRATA, key=lambda name: (name.startswith("messy"), STRATA.index(name))):
        mine = np.isin(stratum, [STRATA.index(other) for other in _pooled(name)])
        bins = np.digitize(bits[mine], EDGES[1:])
        total = np.bincount(bins, minlength=len(EDGES)).astype(float)
        hits = np.bincount(bins, weights=right[mine], minlength=len(EDGES)).astype(float)
        for steps, count in (
            (earlier.get(name, ()), weight if prior else 0.0),
            (made.get(_like(name), ()), LIKE_CASES),
        ):
            if count and len(steps):
                hits, total = hits + count * shares(steps, at), total + count
        blocks: list[list[float]] = []
        for edge, n, h in zip(EDGES, total.tolist(), hits.tolist(), strict=True):
            blocks.append([edge, n, h])
            while len(blocks) > 1 and _share(blocks[-2]) >= _share(blocks[-1]):
                _, more, hit = blocks.pop()
                blocks[-1][1] += more
                blocks[-1][2] += hit
        made[name] = tuple((b[0], round(_share(b), 5)) for b in blocks)
    return tuple((name, made[name]) for name in STRATA)


def _parts(name: str) -> tuple[str, str, str]:
    """Return a stratum's run, ledger and label; `contested` has neither."""
    run, rest = ("messy ", name[6:]) if name.startswith("messy ") else ("", name)
    case = next((c for c in sorted(LEDGERS, key=len, reverse=True) if rest.startswith(f"{c} ")), "")
    return run, case, rest[len(case) + 1 :] if case else rest


def _pooled(name: str) -> tuple[str, ...]:
    """Return the strata whose cases count for one, so that a rare kind is not judged by few cases.

    Where every port of a panel is claimed once it matters little how the labels of the run came to
    be. Where ports are unread it is what tells a skipped port from a counter that slipped; where
    no counter was at work it matters little on which side they are, and how many.
    """
    run, case, label = _parts(name)
    if case in ("clean", "beside") and label in ("full", "by hand"):
        return (f"{run}{case} full", f"{run}{case} by hand")
    if case in UNREAD and label in ("by hand", "slip"):
        return tuple(f"{each}{other} {label}" for each in RUNS for other in UNREAD)
    return (name,)


def _like(name: str) -> str:
    """Return a stratum that comes close to this one and has more cases, itself if none does."""
    run, case, label = _parts(name)
    return f"{case} {label}" if run else f"{LIKE.get(case, case)} {label}"


def _share(block: list[float]) -> float:
    return (block[2] + 0.5) / (block[1] + 1.0)
