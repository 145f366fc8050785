"""Numbers, units, wavelengths, lengths and clocks against outside references."""

from __future__ import annotations

import datetime as dt
import math
import re

import numpy as np
import pandas as pd
import pint
import pytest
import scipy.constants
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers import clocks, fields, numbers, registry, wavelengths
from parsers.profile_parts import Numbers

POINT = Numbers(decimal_mark=".", thousands_mark=",")
COMMA = Numbers(decimal_mark=",", thousands_mark=".")


def cells(*texts: str) -> pd.Series:
    return pd.Series(list(texts), dtype="str")


@pytest.mark.parametrize("unit", ["W", "mW", "uW", "nW", "pW"])
@pytest.mark.parametrize("value", ["1", "0.5", "7906.8", "1.2e3"])
def test_linear_power_to_dbm_as_pint_has_it(unit: str, value: str) -> None:
    registry_ = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    watts = registry_.Quantity(float(value), unit).to("milliwatt").magnitude
    read = numbers.measure(cells(value), POINT, unit, {})
    assert read.number[0] == pytest.approx(10 * math.log10(watts), abs=1e-9)
    in_cell = numbers.measure(cells(f"{value} {unit}"), POINT, "in-cell", {})
    assert in_cell.number[0] == read.number[0]
    assert bool(in_cell.level[0])


def test_lengths_as_scipy_has_them() -> None:
    profile = registry.shipped()[0].profile
    metres, bad = fields.lengths(cells("410", "0.2 km", "5 m", "", "x"), profile, "ft")
    assert metres[0] == pytest.approx(410 * scipy.constants.foot)
    assert list(metres[1:3]) == [200.0, 5.0]
    assert list(bad) == [False, False, False, False, True]


@given(
    st.decimals(min_value=-9_999_999, max_value=9_999_999, places=3, allow_nan=False),
    st.sampled_from([POINT, COMMA]),
)
@settings(derandomize=True, max_examples=200)
def test_printed_numbers_are_read_back(value: object, rules: Numbers) -> None:
    text = f"{value:,.3f}"
    if rules is COMMA:
        text = text.replace(",", " ").replace(".", ",").replace(" ", ".")
    pattern = numbers.grammar(rules)
    assert numbers.number(text, rules, pattern) == float(value)
    assert numbers.number(text.replace("-", "\u2212"), rules, pattern) == float(value)


@pytest.mark.parametrize(
    "text",
    ["1.2O", "1,23,4", "12,34.5", "", "--3", "0x1F", "1_000", "nan", "inf", "1e999", "٣", "1 2",
     "=1+1", "3.", ".", "-", "+", "1.2.3", "1e", "1.5dBmm"],
)  # fmt: skip
def test_what_is_no_number_is_never_one(text: str) -> None:
    read = numbers.measure(cells(text), POINT, "dBm", {})
    if text == "3.":
        assert read.number[0] == 3.0
        return
    assert math.isnan(read.number[0])
    assert read.state[0] == (numbers.BLANK if text == "" else numbers.UNREADABLE)


def test_words_zero_and_signs() -> None:
    words = {"LO": "under-range", "-99.99": "no-light"}
    read = numbers.measure(cells("LO", "-99.99", "0", "-1", "2"), POINT, "mW", words)
    assert [numbers.STATES[s] for s in read.state] == [
        "under-range", "no-light", "under-range", "under-range", "ok"
    ]  # fmt: skip
    turned = numbers.measure(cells("-0.42", "0.0"), POINT, "dB", {}, negated=True)
    assert list(turned.number) == [0.42, 0.0]
    assert not np.signbit(turned.number[1])
    other = numbers.measure(cells("1.2 mW"), POINT, "dB", {})
    assert (other.state[0], bool(other.wrong_unit[0])) == (numbers.UNREADABLE, True)


@pytest.mark.parametrize(
    ("text", "nominal"),
    [("1310", 1310), ("1310nm", 1310), ("1310 NM", 1310), ("1.31 µm", 1310), ("1.31μm", 1310),
     ("0.85um", 850), ("845", 850), ("1545", 1550), ("1300", 1300), ("1305", 1310),
     ("1304", 1300), ("1490", 1490), ("1383", 1383), ("1625", 1625), ("953", 953), ("980", 980),
     ("650", 650), ("131", 0), ("13100", 0), ("red", 0), ("", 0)],
)  # fmt: skip
def test_wavelengths(text: str, nominal: int) -> None:
    plain = Numbers(decimal_mark=".")
    assert list(wavelengths.read(cells(text), plain, "nm", {})) == [nominal]


FORMATS = ("%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%m/%d/%y %I:%M %p", "%d/%m/%y %H:%M:%S",
           "%Y%m%d%H%M%S", "%d %b %Y %H:%M", "%Y-%j %H:%M")  # fmt: skip


@given(
    st.lists(
        st.datetimes(min_value=dt.datetime(1970, 1, 1), max_value=dt.datetime(2068, 12, 31)),
        min_size=1,
        max_size=5,
    ),
    st.sampled_from(FORMATS),
)
@settings(derandomize=True, max_examples=100, deadline=None)
def test_clocks_as_the_standard_library_prints_them(
    moments: list[dt.datetime], layout: str
) -> None:
    texts = [moment.strftime(layout) for moment in moments]
    read = clocks.read(cells(*texts), layout)
    wanted = [np.datetime64(dt.datetime.strptime(text, layout), "s") for text in texts]
    assert list(read.taken_at) == wanted
    assert not read.unreadable.any()
    # neither strptime nor meters insist on leading zeros where signs part the numbers
    bare = [re.sub(r"(?<!\d)0(?=\d)", "", text) for text in texts]
    if re.search(r"%[A-Za-z]%|%y|%j", layout) is None:
        assert list(clocks.read(cells(*bare), layout).taken_at) == wanted


@pytest.mark.parametrize(
    ("text", "layout"),
    [("31.11.2026 08:00", "%d.%m.%Y %H:%M"), ("29.02.2026 08:00", "%d.%m.%Y %H:%M"),
     ("03.11.2026 24:00", "%d.%m.%Y %H:%M"), ("03.13.2026 08:00", "%d.%m.%Y %H:%M"),
     ("03.11.26 08:00", "%d.%m.%Y %H:%M"), ("yesterday", "iso"), ("0000-00-00 00:00:00", "iso"),
     ("٠3.11.2026 08:00", "%d.%m.%Y %H:%M"), ("2026111", "%Y%m%d"), ("2026131", "%Y%m%d"),
     ("11/03/26 13:05 AM", "%m/%d/%y %I:%M %p"), ("11/03/26 0:05 AM", "%m/%d/%y %I:%M %p"),
     ("11/03/26 1:05 XM", "%m/%d/%y %I:%M %p"), ("1" * 500, "%d.%m.%Y"),
     ("11.2026.3\x001", "%d.%m.%Y")],
)  # fmt: skip
def test_what_is_no_moment_is_never_one(text: str, layout: str) -> None:
    read = clocks.read(cells(text), layout)
    assert np.isnat(read.taken_at[0])
    assert bool(read.unreadable[0])


def test_iso_offsets_are_kept_apart() -> None:
    """ISO 8601-1:2019, 4.2.5: local time with the difference to UTC."""
    read = clocks.read(cells("2026-11-03T08:14:22+01:00", "2026-11-03 08:14:22Z", ""), "iso")
    assert list(read.taken_at[:2]) == [np.datetime64("2026-11-03T08:14:22")] * 2
    assert list(read.offset_min[:2]) == [60.0, 0.0]
    assert clocks.STATES[read.state[2]] == "none"


@pytest.mark.parametrize(
    ("texts", "first"),
    [(["13/04/2026", "03/04/2026"], "2026-04-13"), (["04/13/2026", "03/04/2026"], "2026-04-13"),
     (["04/04/2026"], "2026-04-04")],
)  # fmt: skip
def test_a_number_above_twelve_settles_day_and_month(texts: list[str], first: str) -> None:
    read = clocks.read(cells(*texts), "%d/%m/%Y", ask=True)
    assert read.question is None
    assert str(read.taken_at[0])[:10] == first


@pytest.mark.parametrize("texts", [["03/04/2026", "05/06/2026"], ["13/04/2026", "04/13/2026"]])
def test_undecided_dates_are_one_question_and_no_clock(texts: list[str]) -> None:
    read = clocks.read(cells(*texts, ""), "%d/%m/%Y", ask=True)
    assert read.question is not None
    assert read.question[0] == "clock-order-undecided"
    assert np.isnat(read.taken_at).all()
    assert [clocks.STATES[s] for s in read.state] == ["ambiguous", "ambiguous", "none"]


def test_day_numbers_of_both_systems_of_ecma_376() -> None:
    """ECMA-376 part 1, 18.17.4.1: day 1 is 1900-01-01, in the other system day 0 is 1904-01-01.

    Worked: 1 March 1900 is day 61 of the 1900 system, which counts a 29 February 1900; both
    systems differ by 1462 days.
    """
    one = clocks.read(cells("61", "46329.5", "60", "-1"), "serial-1900")
    two = clocks.read(cells(str(46329.5 - 1462)), "serial-1904")
    assert str(one.taken_at[0]) == "1900-03-01T00:00:00"
    assert one.taken_at[1] == two.taken_at[0] == np.datetime64("2026-11-03T12:00:00")
    assert list(one.unreadable) == [False, False, True, True]


def test_names_of_months() -> None:
    german = ("Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez")
    read = clocks.read(cells("03. Mär 2026", "4. dez 2026"), "%d. %b %Y", months=german)
    assert [str(moment)[:10] for moment in read.taken_at] == ["2026-03-03", "2026-12-04"]
