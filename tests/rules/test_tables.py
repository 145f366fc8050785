"""Public tables in their canonical order, whether they are in it already or not."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import tables

ROWS = st.lists(
    st.tuples(st.sampled_from(["", "a", "B", "é"]), st.integers(0, 2), st.integers(0, 2),
              st.sampled_from(["x.1", "x.10", "x.2"])),
    max_size=8,
)  # fmt: skip


@settings(derandomize=True, max_examples=200)
@given(ROWS, st.booleans())
def test_rows_come_by_their_key(rows: list[tuple[str, int, int, str]], in_order: bool) -> None:
    key = list(tables.KEYS["readings"])
    rows = sorted(rows) if in_order else rows
    frame = tables.conform(pd.DataFrame(rows, columns=key), tables.READINGS)
    frame = frame.assign(label=[str(place) for place in range(len(frame))])
    made = tables.canonical(frame, "readings")
    found = list(made[key].itertuples(index=False, name=None))
    assert found == sorted(rows)
    # equal rows stay in the order in which they came
    places = made.groupby(key, sort=False)["label"].apply(lambda own: [int(n) for n in own])
    assert all(own == sorted(own) for own in places)
    assert list(made.index) == list(range(len(made)))


@pytest.mark.parametrize("name", list(tables.PUBLIC))
def test_an_empty_table_stays_empty(name: str) -> None:
    made = tables.canonical(tables.empty(tables.PUBLIC[name]), name)
    assert list(made.columns) == list(tables.PUBLIC[name]) and made.empty
