"""Whether a run's labels were typed one by one, or counted up by the meter."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from rapidfuzz.distance import OSA

from rules.labels import key

CERTAIN = 2
"""This many lone slips of the keys in a run leave no doubt; a single one may have another cause."""
NEAR = 2
"""A label whose number is further than this from both neighbours' is of something else: a spare."""

MOST_SIGNS = 2
"""So many wrong signs before the number are a slip."""


NUMBER = re.compile(r"^(.*?)(\d*)\D{0,2}$")


@dataclass(frozen=True)
class Parts:
    """A label before its number, and the number: its signs, and its value, -1 where it has none."""

    stem: str
    width: int
    port: int


def parts(label: str) -> Parts:
    """Split a label, normalised, at its last number. Case and separators say nothing of keys."""
    found = NUMBER.search(key(label))
    stem, digits = found.groups() if found else ("", "")
    last = digits[-6:]
    return Parts(stem, len(digits), int(last) if last.isascii() and last else -1)


def kinds(labels: Sequence[Parts], run: np.ndarray) -> np.ndarray:
    """Return an index into `transitions.BY_HAND` for each record, from the slips of its run.

    A counting meter repeats what was typed once: all labels of a stretch are alike up to their
    number. A label that differs from its neighbours, which are alike, was typed by itself.
    labels: in order of work; run: a number per record.
    """
    count = np.bincount(run[slips(labels, run)], minlength=int(run.max(initial=0)) + 1)
    return np.asarray(np.minimum(count, CERTAIN)[run])


def slips(labels: Sequence[Parts], run: np.ndarray) -> np.ndarray:
    """Say of each record whether its label alone differs from those just before and after it.

    Something else, in between, is often typed in another style. A slip leaves a label much like
    the one before; anything else is something else's.
    """
    out = np.zeros(len(labels), dtype=bool)
    if len(labels) < 3:
        return out
    width = np.array([label.width for label in labels])
    port = np.array([label.port for label in labels])
    number: dict[str, int] = {}
    stem = np.array([number.setdefault(label.stem, len(number)) for label in labels])
    together = (run[2:] == run[:-2]) & (stem[2:] == stem[:-2]) & (width[2:] == width[:-2])
    together &= (width[2:] > 0) & (width[1:-1] > 0) & (np.abs(port[2:] - port[:-2]) <= NEAR + 1)
    other = (stem[1:-1] != stem[:-2]) | (width[1:-1] != width[:-2])
    near = np.minimum(np.abs(port[1:-1] - port[:-2]), np.abs(port[1:-1] - port[2:])) <= NEAR
    out[1:-1] = together & other & near
    for n in np.flatnonzero(out).tolist():
        one, before = labels[n].stem, labels[n - 1].stem
        out[n] = OSA.distance(one, before, score_cutoff=MOST_SIGNS) <= MOST_SIGNS
    return out
