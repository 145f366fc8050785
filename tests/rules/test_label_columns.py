"""Labels by the column give what labels one by one give."""

from __future__ import annotations

import pandas as pd
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules import labels

TEXTS = st.lists(st.text(alphabet="abAB019 :-_/.\nßÅ１٣", max_size=8), max_size=12)


@settings(derandomize=True, max_examples=150, deadline=None)
@example(["A.1:07", "1A.R2:12", "R01-02", "12", "x 3b", "a0x", "ß\nB019", ":", ""])
@given(TEXTS)
def test_ends_are_split_as_one_by_one(ends: list[str]) -> None:
    number, panels, ports = labels.ports_of(pd.Series(ends, dtype="str"))
    found = list(zip(panels[number].tolist(), ports.to_list(), strict=True))
    assert found == [labels.port_of(end) for end in ends]


@settings(derandomize=True, max_examples=150, deadline=None)
@example(["a-01", "A 1", "A1", "b01", "Å1", "A１"])
@given(TEXTS)
def test_labels_of_one_key_have_one_skeleton(typed: list[str]) -> None:
    skeletons, foreign = labels.skeletons(pd.Series(typed, dtype="str"))
    assert foreign.tolist() == [not label.isascii() for label in typed]
    keys = [labels.key(label) for label in typed]
    of_keys, _ = labels.skeletons(pd.Series(keys, dtype="str"))
    for bare, of_key, other in zip(skeletons, of_keys, foreign, strict=True):
        assert other or bare == of_key
