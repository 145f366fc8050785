"""Verdicts and probabilities against the examples printed in ILAC-G8:09/2019 and JCGM 106:2012."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rules import decision
from rules.settings import Settings

NONE = np.array([np.nan])
GUARDED = Settings(decision_rule="guarded")


def at(value: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([value])


def judged(y: float, limit: float, expanded: float, rule: Settings) -> str:
    margin = decision.margin(at(y), NONE, at(limit))
    return decision.VERDICTS[int(decision.verdict(margin, at(expanded), rule)[0])]


@pytest.mark.parametrize(
    ("y", "grade", "chance"),
    # ILAC-G8:09/2019 4.2.3 with TL 2.60 dB, U 0.20 dB, r = 1; edges to the better class
    [
        (2.35, "pass", 0.9938), (2.40, "pass", 0.9772), (2.45, "conditional-pass", 0.9332),
        (2.60, "conditional-pass", 0.5), (2.65, "conditional-fail", 0.3085),
        (2.80, "conditional-fail", 0.0228), (2.85, "fail", 0.0062),
    ],
)  # fmt: skip
def test_guarded_classes_and_their_probability(y: float, grade: str, chance: float) -> None:
    assert judged(y, 2.60, 0.20, GUARDED) == grade
    assert decision.p_conform(at(y), NONE, at(2.60), at(0.10))[0] == pytest.approx(chance, abs=5e-5)


@pytest.mark.parametrize(("y", "grade"), [(2.35, "pass"), (2.60, "pass"), (2.601, "fail")])
def test_simple_acceptance(y: float, grade: str) -> None:
    # ILAC-G8:09/2019 4.2.1; the limit itself conforms: JCGM 106:2012 3.3.5 Note 1
    assert judged(y, 2.60, 0.20, Settings()) == grade


def test_probabilities_printed_in_jcgm_106() -> None:
    # 7.3.3 Example 1: upper limit, breakdown voltage of a diode
    assert decision.p_conform(at(-5.47), NONE, at(-5.40), at(0.05))[0] == pytest.approx(
        0.92, abs=5e-3
    )
    # 7.3.3 Example 2: lower limit, volume in a container
    assert decision.p_conform(at(509.7), at(490.0), NONE, at(8.6))[0] == pytest.approx(
        0.99, abs=5e-3
    )
    # 7.4: both limits, an oil
    assert decision.p_conform(at(13.6), at(12.5), at(16.3), at(1.8))[0] == pytest.approx(
        0.66, abs=5e-3
    )
    # Table 1
    for chance, z in ((0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)):
        assert decision.p_conform(at(-z), NONE, at(0.0), at(1.0))[0] == pytest.approx(
            chance, abs=2e-3
        )


@pytest.mark.parametrize(
    ("factor", "risk"),
    # ILAC-G8:09/2019 Table 1: risk of a false accept at the edge, w = r U
    [(1.5, 0.0016), (1.0, 0.025), (0.83, 0.05), (0.0, 0.50)],
)
def test_guard_bands_keep_the_risk_that_ilac_g8_states(factor: float, risk: float) -> None:
    rule = replace(GUARDED, guard_factor=factor)
    edge = 2.60 - float(decision.guard_band(at(0.20), rule)[0])
    assert 1 - decision.p_conform(at(edge), NONE, at(2.60), at(0.10))[0] <= risk + 1e-12
    assert judged(round(edge, 3), 2.60, 0.20, rule) == "pass"


def test_a_loss_exactly_on_the_limit_passes() -> None:
    # sums in binary miss the limit by an ulp as often as not; one rounding settles it
    limits = np.round(0.01 * np.arange(1, 861), 2)
    losses = np.cumsum(np.tile(limits / 7, (7, 1)), axis=0)[-1]
    absent = np.full(860, np.nan)
    assert (losses > limits).any()
    for more, place in ((0.0, 0), (0.001, 3)):
        margins = decision.margin(losses + more, absent, limits)
        assert (decision.verdict(margins, np.full(860, 0.2), Settings()) == place).all()


@settings(derandomize=True, max_examples=300)
@given(st.integers(-3000, 30000), st.integers(0, 30000), st.integers(0, 2000), st.integers(1, 2000))
def test_a_better_value_is_never_judged_worse(y: int, limit: int, expanded: int, step: int) -> None:
    def place(value: int) -> int:
        margin = decision.margin(at(value / 1000), NONE, at(limit / 1000))
        return int(decision.verdict(margin, at(expanded / 1000), GUARDED)[0])

    assert place(y - step) <= place(y)


@settings(derandomize=True, max_examples=200)
@given(st.floats(-5, 30), st.floats(0, 30), st.floats(0.01, 2))
def test_probabilities_against_scipy(y: float, limit: float, u: float) -> None:
    ours = decision.p_conform(at(y), NONE, at(limit), at(u))[0]
    assert ours == pytest.approx(stats.norm(y, u).cdf(limit), abs=1e-12)


def test_absent_bounds_and_values() -> None:
    assert np.isnan(decision.margin(at(1.0), NONE, NONE))[0]
    assert np.isnan(decision.margin(NONE, NONE, at(1.0)))[0]
    assert decision.verdict(NONE, at(0.1), Settings())[0] == -1
    assert not decision.marginal(NONE, at(0.1))[0]
    # a window: the nearer bound decides
    assert decision.margin(at(-10.0), at(-14.4), at(0.5))[0] == 4.4
    assert decision.margin(at(0.4), at(-14.4), at(0.5))[0] == 0.1
