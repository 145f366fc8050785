"""Confidence against scikit-learn: Brier score, reliability curve, isotonic regression."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.isotonic import IsotonicRegression
from sklearn.metrics import brier_score_loss

from rules import pairing
from rules.evaluation import Decisions, Plan
from rules.pairing import calibrate, crews, engine, fit, gate, grid, sites
from rules.settings import Settings
from tests.rules.pairing.test_properties import plan_of


@cache
def judged() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return confidence, stratum, accepted and right of records of crews of every care."""
    links = plan_of(30, 24, "B1-TR{0:02d}-{1:02d}")
    layout = grid.of_sites(sites.of_plan(links), links, pairs=False)
    rows = []
    for seed, care in enumerate((0.1, 0.3, 0.5, 0.7)):
        table, truth = crews.work(layout, links, np.random.default_rng([4711, seed]), care)
        for part in engine.weighed(
            Plan(links), table, Decisions(), pairing.Parameters(), Settings()
        ):
            verdict = fit.judged(part, pairing.Parameters(), Settings())
            right = part.unit == truth[part.records - 1]
            rows.append((verdict.confidence, verdict.stratum, verdict.accepted, right))
    confidence, stratum, accepted, right = (
        np.concatenate(part) for part in zip(*rows, strict=True)
    )
    return confidence, stratum, accepted, right


def test_a_stated_confidence_near_one_is_the_share_right() -> None:
    confidence, _, _, right = judged()
    sure = confidence >= 0.99
    share, stated = calibration_curve(right[sure], confidence[sure], n_bins=5, strategy="quantile")
    assert len(share) >= 2
    np.testing.assert_allclose(share, stated, atol=0.01)


def test_confidence_claims_nowhere_more_than_was_right() -> None:
    confidence, _, accepted, right = judged()
    share, stated = calibration_curve(right, confidence, n_bins=10, strategy="quantile")
    assert (share >= stated - 0.01).all(), (share, stated)
    assert right[accepted].mean() >= 0.999
    assert accepted.mean() > 0.3


def test_brier_score_beats_saying_the_base_rate_of_everything() -> None:
    confidence, stratum, _, right = judged()
    free = stratum < len(gate.STRATA) - 1
    ours = brier_score_loss(right[free], confidence[free])
    base = brier_score_loss(right, np.full(len(right), right.mean()))
    assert ours < base / 3
    # the definition (Brier 1950), so that the figure above is the one meant
    assert ours == pytest.approx(np.mean((confidence[free] - right[free]) ** 2))


def test_the_step_map_is_the_isotonic_regression_of_its_bins() -> None:
    rng = np.random.default_rng(5)
    bits = rng.uniform(-4, 14, 60_000)
    probability = 1 / (1 + np.exp2(-bits))
    # over-confident and, between two bins, falling: what the pooling is for
    true = np.clip(0.5 + bits / 28 - 0.2 * ((bits > 6) & (bits < 8)), 0, 1)
    right = rng.random(len(bits)) < true
    stratum = np.zeros(len(bits), dtype=np.int64)
    knots = dict(calibrate.fit(stratum, probability, right))[gate.STRATA[0]]
    at = np.array(calibrate.EDGES)
    bins = np.digitize(bits, at[1:])
    weight = np.bincount(bins, minlength=len(at)).astype(float)
    mean = np.bincount(bins, weights=right, minlength=len(at)) / weight
    theirs = IsotonicRegression().fit(at, mean, sample_weight=weight).predict(at)
    ours = gate.shares(knots, at)
    assert len(knots) < len(at), "two bins are pooled"
    np.testing.assert_allclose(ours, theirs, atol=1e-3)
