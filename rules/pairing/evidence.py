"""What speaks for the place of each weighed record over the next best one, term by term."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.pairing import candidates, gate
from rules.pairing.weigh import Weighed

TERMS = ("label", "notes", "values", "succession", "habit", "claims", "other visit")
"""Every term that may be weighed, in the order in which they are shown."""
ABSENT = np.iinfo(np.int32).min
"""A term that was not weighed."""


@dataclass(frozen=True)
class Evidence:
    """Arrays over records. total: log2 odds of the place found against the runner-up, NaN where
    nothing was weighed or there is no runner-up; terms: [record, term of TERMS] in thousandths of
    a bit, ABSENT where a term was not weighed.
    """

    total: np.ndarray
    terms: np.ndarray

    def take(self, rows: np.ndarray) -> Evidence:
        """Return the evidence of some records."""
        return Evidence(self.total[rows], self.terms[rows])

    def put(self, rows: np.ndarray, other: Evidence) -> None:
        """Take over the evidence of some records."""
        self.total[rows], self.terms[rows] = other.total, other.terms


def empty(records: int) -> Evidence:
    """Return evidence of records that were not weighed."""
    return Evidence(
        np.full(records, np.nan), np.full((records, len(TERMS)), ABSENT, dtype=np.int32)
    )


def of_weighed(weighed: Weighed) -> Evidence:
    """Return the evidence of each weighed record."""
    out = empty(len(weighed.unit))
    best, rival = best_at(weighed, weighed.unit), best_at(weighed, weighed.second)
    rows = np.flatnonzero((best >= 0) & (rival >= 0))
    both = np.maximum(weighed.p_unit + weighed.p_second, 1e-12)
    out.total[rows] = gate.log_odds(weighed.p_unit / both)[rows]
    for number, name in enumerate(TERMS):
        value = weighed.terms.get(name)
        if value is not None:
            out.terms[rows, number] = value[best[rows]] - value[rival[rows]]
    return out


def best_at(weighed: Weighed, unit: np.ndarray, only: int | None = None) -> np.ndarray:
    """Return each record's most probable state at its place in `unit`, -1 where it has none.

    With `only` that one record is looked at.
    """
    states = weighed.states
    low, high = (0, None) if only is None else states.first[only : only + 2].tolist()
    place = np.where(states.form[low:high] == candidates.OUTSIDE, -1, states.unit[low:high])
    fits = low + np.flatnonzero(place == unit[states.record[low:high]])
    record = states.record[fits]
    order = np.lexsort((fits, -np.round(weighed.probability[fits], 9), record))
    out = np.full(len(unit), -1, dtype=np.int64)
    head = np.r_[True, np.diff(record[order]) != 0][: len(order)]
    out[record[order[head]]] = fits[order[head]]
    return out
