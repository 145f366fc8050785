"""What pairing settled for each record, in the order of `records.of_readings`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Outcome:
    """Arrays over records. site: where the record belongs by the evidence, -1 outside the plan."""

    site: np.ndarray
    status: np.ndarray
    """`paired`, `question`, `left-out` or `outside-plan`."""
    how: np.ndarray
    confidence: np.ndarray
    reason: np.ndarray
    code: np.ndarray
    """Code of the question, empty where nothing is asked."""
    group: np.ndarray
    """Text that names the cause; records with equal code and group are one question."""
    typed_site: np.ndarray
    """The site that the label names by itself, -1 where it names none or several."""
    second: np.ndarray
    """The runner-up site, -1 outside the plan, -2 none."""
    p_second: np.ndarray


def empty(records: int) -> Outcome:
    """Return an outcome that settles nothing yet."""

    def text() -> np.ndarray:
        return np.full(records, "", dtype=object)

    return Outcome(
        np.full(records, -1, dtype=np.int64), np.full(records, "question", dtype=object), text(),
        np.zeros(records), text(), text(), text(), np.full(records, -1, dtype=np.int64),
        np.full(records, -2, dtype=np.int64), np.zeros(records),
    )  # fmt: skip


FIELDS = tuple(Outcome.__dataclass_fields__)
