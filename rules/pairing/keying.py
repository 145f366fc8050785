"""Whether a run's labels were typed one by one, or counted up by the meter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from rapidfuzz.distance import OSA

from rules.labels import key

CERTAIN = 2
"""This many lone slips of the keys in a run leave no doubt; a single one may have another cause."""
NEAR = 2
"""A label whose number is further than this from both neighbours' is of something else: a spare."""

MOST_SIGNS = 2
"""So many wrong signs before the number are a slip."""


def kinds(labels: Sequence[str], run: np.ndarray) -> np.ndarray:
    """Return an index into `chain.BY_HAND` for each record, from the slips of its run.

    A counting meter repeats what was typed once: all labels of a stretch are alike up to their
    number. A label that differs from its neighbours, which are alike, was typed by itself.
    labels: in order of work; run: a number per record.
    """
    count = np.bincount(run[slips(labels, run)], minlength=int(run.max(initial=0)) + 1)
    return np.asarray(np.minimum(count, CERTAIN)[run])


def slips(labels: Sequence[str], run: np.ndarray) -> np.ndarray:
    """Say of each record whether its label alone differs from those just before and after it.

    Case and separators say nothing: something else, in between, is often typed in another style.
    A slip leaves a label much like the one before; anything else is something else's.
    """
    names = list(labels)
    written = {name: key(name) for name in set(names)}
    text = pd.Series([written[name] for name in names], dtype="str")
    parts = text.str.extract(r"^(.*?)(\d*)\D{0,2}$")
    width = parts[1].str.len().to_numpy(dtype=np.int64)
    stem, _ = pd.factorize(parts[0])
    port = pd.to_numeric(parts[1].str.slice(-6), errors="coerce").fillna(-1).to_numpy(np.int64)
    out = np.zeros(len(text), dtype=bool)
    if len(text) < 3:
        return out
    together = (run[2:] == run[:-2]) & (stem[2:] == stem[:-2]) & (width[2:] == width[:-2])
    together &= (width[2:] > 0) & (width[1:-1] > 0) & (np.abs(port[2:] - port[:-2]) <= NEAR + 1)
    other = (stem[1:-1] != stem[:-2]) | (width[1:-1] != width[:-2])
    near = np.minimum(np.abs(port[1:-1] - port[:-2]), np.abs(port[1:-1] - port[2:])) <= NEAR
    out[1:-1] = together & other & near
    for n in np.flatnonzero(out).tolist():
        out[n] = OSA.distance(parts[0][n], parts[0][n - 1], score_cutoff=MOST_SIGNS) <= MOST_SIGNS
    return out
