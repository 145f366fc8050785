"""Levels and losses against numpy and the definitions of ISO 80000-15."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from rules import units


def test_textbook_levels() -> None:
    # Blake, Electronic Communication Systems, Example 25.1: 1.5 mW is +1.761 dBm
    assert float(units.dbm(1.5)) == pytest.approx(1.761, abs=5e-4)
    assert float(units.dbm(1.0)) == 0.0
    assert float(units.dbm(constants.micro / constants.milli)) == pytest.approx(-30.0)
    assert np.isneginf(units.dbm(0.0))


def test_lanes_that_share_a_fibre() -> None:
    # IEEE 802.3 clause 88: +4.5 dBm per lane, +10.5 dBm in all over four lanes
    assert float(units.lanes_dbm(4.5, 4)) == pytest.approx(10.5, abs=0.03)
    assert float(units.lanes_dbm(0.0, 8)) == pytest.approx(9.03, abs=5e-3)


@settings(derandomize=True, max_examples=200)
@given(st.floats(-70, 30), st.floats(-70, 30))
def test_a_difference_of_levels_is_a_ratio_of_powers(a: float, b: float) -> None:
    power_a, power_b = 10 ** (a / 10), 10 ** (b / 10)
    assert a - b == pytest.approx(10 * np.log10(power_a / power_b), abs=1e-9)
    assert float(units.dbm(power_a)) == pytest.approx(a, abs=1e-9)
