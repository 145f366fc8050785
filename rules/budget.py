"""Loss budgets: the sum of a link's parts, the power that an interface leaves, the longest link."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from rules.columns import Floats

Part = tuple[Floats | float, Floats | float]
"""How many (or how many km) and dB each."""


def total_db(parts: Iterable[Part]) -> Floats:
    """Add up counts times dB each; a part with count 0 adds nothing even if its value is NaN."""
    total = np.asarray(0.0)
    for count, each_db in parts:
        total = total + np.where(np.asarray(count) == 0, 0.0, np.asarray(count) * each_db)
    return np.asarray(total, np.float64)


def power_budget_db(launch_min_dbm: float, receive_min_dbm: float) -> float:
    """Return the most loss between the weakest transmitter and the least sensitive receiver."""
    return launch_min_dbm - receive_min_dbm


def longest_km(
    available_db: Floats | float, fixed_db: Floats | float, db_per_km: Floats | float
) -> Floats:
    """Return the longest fibre that `available_db` allows beside `fixed_db`; never negative.

    `db_per_km` includes splices per km where there are any.
    """
    left = np.asarray(available_db, np.float64) - fixed_db
    return np.maximum(0.0, left / db_per_km)
