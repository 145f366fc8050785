"""Statistics of groups of rows that single wild values do not spoil."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from rules.columns import Floats, Ints, starts

NORMAL = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution: 1 / Φ⁻¹(3/4)."""


STEP = 1e-4
"""Medians are taken of values rounded to this step (dB): far below what any meter stores."""
REACH = 2**25
"""Largest value in steps; larger ones count as this large, which no median of losses reaches."""


def medians(key: Ints, values: Floats, groups: int, step: float = STEP) -> Floats:
    """Return the median of `values` per key 0 … groups − 1, NaN where a group has none.

    Rows with NaN or a negative key are left out. Key and rounded value are sorted as one integer,
    a short one where they fit, which is many times faster than grouping.
    """
    kept = (key >= 0) & ~np.isnan(values)
    whole = bool(kept.all())
    group, steps = (key if whole else key[kept]), (values if whole else values[kept]) / step
    np.rint(steps, out=steps)
    np.clip(steps, -REACH, REACH - 1, out=steps)
    least = float(steps.min(initial=0.0))
    span = int(float(steps.max(initial=0.0)) - least) + 1
    short = groups * span <= np.iinfo("int32").max
    steps -= least
    both = steps.astype("int32" if short else "int64")
    both += (group.astype("int32") if short else group) * span
    both.sort()
    n = np.bincount(group, minlength=groups)
    begin = np.cumsum(n) - n
    out = np.full(groups, np.nan)
    there = np.flatnonzero(n)
    low = both[begin[there] + (n[there] - 1) // 2] % span
    high = both[begin[there] + n[there] // 2] % span
    out[there] = ((low.astype("int64") + high) / 2.0 + least) * step
    return out


def spreads(key: Ints, values: Floats, groups: int, centre: Floats | None = None) -> Floats:
    """Return the robust standard deviation per key: 1.4826 × median absolute deviation."""
    middle = medians(key, values, groups) if centre is None else centre
    # a row without a key (−1) meets the NaN at the end, even where there is no group at all
    middle = np.append(middle, np.nan)
    return medians(key, np.abs(values - middle[key]), groups) * NORMAL


def counts(key: Ints, values: Floats, groups: int) -> Ints:
    """Return the number of values per key that are not NaN."""
    kept = (key >= 0) & ~np.isnan(values)
    return np.bincount(key[kept], minlength=groups).astype("int64")


def slopes(key: Ints, x: Floats, y: Floats, groups: int) -> tuple[Floats, Floats, Ints]:
    """Fit y = a + b·x per key by least squares; return b, its standard error and n.

    NaN where fewer than three rows or one x.
    """
    kept = (key >= 0) & np.isfinite(x) & np.isfinite(y)
    group, x, y = key[kept], x[kept], y[kept]
    n = np.bincount(group, minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        dx = x - (np.bincount(group, x, groups) / n)[group]
        dy = y - (np.bincount(group, y, groups) / n)[group]
        sxx = np.bincount(group, dx * dx, groups)
        slope = np.bincount(group, dx * dy, groups) / sxx
        rest = dy - slope[group] * dx
        variance = np.bincount(group, rest * rest, groups) / (n - 2)
        error = np.sqrt(variance / sxx)
    few = (n < 3) | (sxx <= 0)
    slope[few], error[few] = np.nan, np.nan
    return slope, error, n.astype("int64")


FINE = 1e-9
"""Step in dB in which sums over many records are made."""


def split(key: Ints, values: Floats, spread: Floats, least: int) -> Floats:
    """Return for each row how strongly the rows from it on differ from those before it.

    `key` must be sorted; the statistic is (mean from here − mean before) / (s · √(1/m + 1/n)) with
    the spread s of the group, NaN where either side has fewer than `least` rows. It is the
    two-sample t statistic with known spread.
    """
    begins = starts(key)
    place = np.arange(len(key))
    first = np.maximum.accumulate(np.where(begins, place, 0))
    group = np.cumsum(begins) - 1
    size = np.bincount(group)[group]
    before = place - first
    after = size - before
    # whole numbers: what stands in front of a group must not round its sums otherwise
    steps = np.rint(values / FINE).astype("int64")
    total = np.cumsum(steps)
    base = total[first] - steps[first]
    last = first + size - 1
    whole = (total[last] - base) * FINE
    left = (total - steps - base) * FINE
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = (whole - left) / after - left / before
        out = shift / (spread * np.sqrt(1.0 / before + 1.0 / after))
    out[(before < least) | (after < least)] = np.nan
    return np.asarray(out)


def episode(values: Floats, spread: float, least: int) -> tuple[int, int, float]:
    """Return the stretch [i, j) that stands out most from the rest, and its statistic.

    Either side may be empty: j = n means that the level stays. Both the stretch and the rest have
    at least `least` values; (0, 0, 0.0) where that is impossible.
    """
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values)])
    i, j = _stretches(n, least)
    if not len(i):
        return 0, 0, 0.0
    inside = j - i
    shift = (total[j] - total[i]) / inside - (total[n] - (total[j] - total[i])) / (n - inside)
    score = shift / (spread * np.sqrt(1.0 / inside + 1.0 / (n - inside)))
    best = int(np.argmax(np.abs(score)))
    return int(i[best]), int(j[best]), float(score[best])


@lru_cache(maxsize=8)
def _stretches(n: int, least: int) -> tuple[Ints, Ints]:
    """Return the begin and end of every stretch of n values that may stand out."""
    i, j = np.triu_indices(n + 1, k=least)
    # a rest before the stretch of one or two values is an edge, not a level
    kept = ((n - (j - i)) >= least) & (i >= least)
    return i[kept], j[kept]
