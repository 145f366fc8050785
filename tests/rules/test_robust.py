"""Robust statistics and change points against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from rules import robust

VALUES = st.lists(st.floats(-30.0, 30.0).map(lambda v: round(v, 3)), min_size=1, max_size=40)
PROPERTY = settings(derandomize=True, max_examples=80, deadline=None)


@given(st.lists(VALUES, min_size=1, max_size=6))
@PROPERTY
def test_medians_and_spreads_are_those_of_scipy(groups: list[list[float]]) -> None:
    key = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    values = np.concatenate(groups)
    order = np.argsort(values)
    got = robust.medians(key[order], values[order], len(groups) + 1)
    spread = robust.spreads(key, values, len(groups) + 1)
    for place, group in enumerate(groups):
        assert got[place] == pytest.approx(np.median(group), abs=robust.STEP)
        wanted = stats.median_abs_deviation(group, scale="normal")
        assert spread[place] == pytest.approx(wanted, abs=3 * robust.STEP, rel=1e-4)
    assert np.isnan(got[-1]) and np.isnan(spread[-1])


def test_the_normal_factor_is_one_over_the_upper_quartile() -> None:
    assert pytest.approx(1.0 / special.ndtri(0.75), abs=5e-5) == robust.NORMAL


@given(st.integers(0, 10_000))
@PROPERTY
def test_slopes_are_those_of_linregress(seed: int) -> None:
    rng = np.random.default_rng(seed)
    key = rng.integers(0, 3, 40)
    x, y = rng.normal(0, 5, 40), rng.normal(0, 1, 40)
    slope, error, n = robust.slopes(key, x, y, 4)
    for group in range(3):
        rows = key == group
        if n[group] < 3:
            continue
        fit = stats.linregress(x[rows], y[rows])
        assert slope[group] == pytest.approx(fit.slope)
        assert error[group] == pytest.approx(fit.stderr)
    assert np.isnan(slope[3])


@given(st.integers(0, 10_000), st.integers(8, 40))
@PROPERTY
def test_the_split_is_the_two_sample_t_up_to_its_spread(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1, n)
    values[n // 2 :] += 2.0
    key = np.zeros(n, "int64")
    got = robust.split(key, values, np.ones(n), 4)
    assert np.isnan(got[:4]).all() and np.isnan(got[n - 3 :]).all()
    for at in range(4, n - 3):
        t = stats.ttest_ind(values[at:], values[:at])
        pooled = np.sqrt((values[:at].var() * at + values[at:].var() * (n - at)) / (n - 2))
        assert got[at] / pooled == pytest.approx(t.statistic)


@given(st.integers(0, 10_000))
@PROPERTY
def test_a_large_change_is_found_where_rank_tests_see_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 0.08, 30)
    begin = int(rng.integers(5, 20))
    end = int(rng.integers(begin + 5, 31))
    if 30 - (end - begin) < 5:
        begin = 6
    values[begin:end] += 0.5
    low, high, score = robust.episode(values, 0.08, 4)
    inside = np.zeros(30, bool)
    inside[low:high] = True
    truth = np.zeros(30, bool)
    truth[begin:end] = True
    assert (inside == truth).mean() >= 0.9 and score > 6
    rank = stats.mannwhitneyu(values[inside], values[~inside], alternative="greater")
    assert rank.pvalue < 1e-3
