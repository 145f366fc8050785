"""Shown digits. Rounding is compared with the decimal module; grades are decided on 0.001 dB."""

from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports import numbers

DB = st.integers(-60_000, 60_000).map(lambda n: n / 1000)


@given(DB)
@settings(derandomize=True, max_examples=300)
def test_two_digits_round_as_the_decimal_module_does(value):
    expected = Decimal(str(value)).quantize(Decimal("0.01"), ROUND_HALF_UP)
    shown = numbers.decibel(value).replace("−", "-")
    assert Decimal(shown) == expected


@given(DB, DB, st.integers(0, 900).map(lambda n: n / 1000))
@settings(derandomize=True, max_examples=500)
def test_shown_digits_never_contradict_the_verdict(loss, limit, u):
    digits = numbers.places([loss], [limit], [u])
    shown = [
        Decimal(numbers.decibels([v], digits)[0].replace("−", "-"))
        for v in (loss, limit, round(limit - loss, 3), u)
    ]
    assert (shown[0] > shown[1]) == (Decimal(str(loss)) > Decimal(str(limit)))
    margin = Decimal(str(limit)) - Decimal(str(loss))
    assert (abs(shown[2]) <= shown[3]) == (abs(margin) <= Decimal(str(u)))


def test_a_loss_just_over_its_limit_shows_three_digits():
    assert numbers.places([2.604, 2.61, 2.6], [2.6, 2.6, 2.6]).tolist() == [3, 2, 2]
    assert numbers.decibels([2.604, 2.6], 3) == ["2.604", "2.600"]


def test_binary_noise_decides_no_digit():
    assert numbers.decibel(0.1 + 0.2) == "0.30"
    assert numbers.decibel(-0.0004) == "0.00"
    assert numbers.decibels([np.nan, 1.005, -1.005]) == ["–", "1.01", "−1.01"]


def test_a_margin_carries_its_sign():
    assert numbers.decibels([0.5, -0.5, 0.0], signed=True) == ["+0.50", "−0.50", "0.00"]


@pytest.mark.parametrize(
    ("metres", "unit", "shown"),
    [(99.96, "m", "100"), (52.5, "m", "52.5"), (52.0, "m", "52"), (123.4, "m", "123"),
     (30.48, "ft", "100"), (float("nan"), "m", "–"), (12345.0, "m", "12\u202f345")],
)  # fmt: skip
def test_lengths(metres, unit, shown):
    assert numbers.lengths([metres], unit) == [shown]


def test_a_hundred_per_cent_stands_only_where_nothing_is_open():
    assert numbers.percent(999, 1000) == "99 %"
    assert numbers.percent(1000, 1000) == "100 %"
    assert numbers.percent(0, 0) == "–"
    assert numbers.probability(0.999) == "> 99 %"
    assert numbers.probability(0.004) == "< 1 %"


def test_times_keep_the_zone_they_were_printed_in():
    assert numbers.moment("2026-11-20T16:40:05+01:00") == "2026-11-20 16:40"
    assert numbers.date("2026-11-20T16:40:05Z") == "2026-11-20"
    assert numbers.moment("11/20/26 4pm") == "11/20/26 4pm"
    assert numbers.moment("") == "–"
