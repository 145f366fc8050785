"""One fibre measured twice shows one loss; two fibres seldom do."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from rules import pairing
from rules.evaluation import Decisions, Plan
from rules.pairing import engine, physics
from rules.settings import Settings
from tests.rules.pairing.test_properties import plan_of, working_of


def measured(loss: list[float]) -> physics.Measured:
    both = np.repeat(np.array(loss)[:, None], 2, axis=1)
    return physics.Measured(both, np.full(len(loss), np.nan), np.zeros(len(loss)))


def test_the_weight_of_a_retest_is_the_ratio_of_two_normal_densities() -> None:
    """Against scipy's normal density, cleaned connectors mixed in."""
    loss = [0.2, 0.9, 0.3, 0.32, 0.8, 0.1]
    bits = physics.repeats(measured(loss), np.zeros(len(loss), dtype=np.int64))
    off = np.abs(np.diff(loss))
    wide = 1.4826 * np.median(off)
    same = 1 - physics.CLEANED
    ratio = same * norm.pdf(off, scale=physics.AGREE_DB) / norm.pdf(off, scale=wide)
    np.testing.assert_allclose(bits[1:], np.log2(ratio + physics.CLEANED), atol=1e-9)
    assert bits[0] == 0
    assert bits[3] == bits.max() > 1


def test_another_loss_never_counts_more_than_a_cleaned_connector() -> None:
    bits = physics.repeats(measured([0.2, 3.0, 0.2, 3.1, 0.3]), np.zeros(5, dtype=np.int64))
    assert bits.min() >= np.log2(physics.CLEANED)


def test_nothing_is_said_across_runs_or_without_values() -> None:
    loss = measured([0.2, 0.2, np.nan, 0.2])
    assert (physics.repeats(loss, np.array([0, 1, 1, 1])) == 0).all()


@pytest.mark.parametrize("alike", [True, False])
def test_a_label_typed_twice_is_a_retest_if_the_loss_is_the_same(alike: bool) -> None:
    typed = [("R1", f"TR1-A-{port:02d}") for port in (1, 2, 3, 4, 5, 6, 6, 7, 8, 9, 10, 11)]
    working = working_of(typed)
    rng = np.random.default_rng(5)
    loss = np.round(0.6 + rng.normal(0, 0.2, len(typed)), 2)
    loss[6] = loss[5] if alike else loss[5] + 0.5
    working["loss_db"] = np.repeat(loss, 2)
    (part,) = engine.weighed(
        Plan(plan_of(panels=1)), working, Decisions(), pairing.Parameters(), Settings()
    )
    without = pairing.Parameters(physics=False)
    (blind,) = engine.weighed(Plan(plan_of(panels=1)), working, Decisions(), without, Settings())
    # the seventh record is port 6 again, or port 7 and the labels one behind from there on
    as_typed = [float(w.probability[_at(w, 6, 5)].sum()) for w in (part, blind)]
    assert (as_typed[0] > as_typed[1]) == alike


def _at(weighed: engine.Weighed, record: int, unit: int) -> np.ndarray:
    states = weighed.states
    return np.flatnonzero((states.record == record) & (states.unit == unit) & (states.form < 7))
