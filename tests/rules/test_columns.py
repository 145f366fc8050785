"""Keys and texts as numbers: what numpy and Python give, which sort and look at each text."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules import columns, ends

KEYS = st.lists(
    st.one_of(st.integers(-3, 3), st.integers(-40, 40), st.integers(-(2**60), 2**60)), max_size=30
)
TEXTS = st.lists(st.text(alphabet="ab:1 ", max_size=4), max_size=20)


@settings(derandomize=True, max_examples=200, deadline=None)
@example([])
@example([0, 0, 5, 5, 1])
@example([2**60, 2**60, -(2**60), 7])
@given(KEYS)
def test_keys_are_told_apart_as_numpy_does(values: list[int]) -> None:
    key = np.array(values, dtype="int64")
    for one in (key, np.sort(key), np.repeat(key, 3)):
        distinct, numbers = np.unique(one, return_inverse=True)
        assert columns.distinct(one).tolist() == distinct.tolist()
        assert columns.ranked(one).tolist() == numbers.tolist()


@settings(derandomize=True, max_examples=150, deadline=None)
@given(TEXTS)
def test_numbers_tell_texts_apart_and_keep_their_order(texts: list[str]) -> None:
    plain = pd.Series(texts, dtype="str")
    some = columns.to_few(pd.Series([*texts, "zz"], dtype="str")).iloc[:-1]
    for column in (plain, some):
        found = columns.numbers(column, sort=True).tolist()
        assert [a < b for a in found for b in found] == [a < b for a in texts for b in texts]


@settings(derandomize=True, max_examples=150, deadline=None)
@example(["1A:07", "1A", "a:b:1", ":", ""])
@given(TEXTS)
def test_the_panel_of_an_end_is_what_comes_before_its_last_colon(texts: list[str]) -> None:
    found = ends.panel(pd.Series(texts, dtype="str", index=range(7, 7 + len(texts))))
    assert found.to_list() == [t.rpartition(":")[0] if ":" in t else t for t in texts]
    assert found.index.to_list() == list(range(7, 7 + len(texts)))
