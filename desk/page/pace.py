"""How fast the work goes by the crews' own time stamps, and when it is done at that rate."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

DAYS_COUNTED = 10
"""Newest days with tests that the forecast looks at; engineering default, no source."""
STUDENT_80 = {1: 3.078, 2: 1.886, 3: 1.638, 4: 1.533, 5: 1.476, 6: 1.440, 7: 1.415, 8: 1.397,
              9: 1.383}  # fmt: skip
"""Two-sided 80 % quantiles of Student's t by degrees of freedom (NIST/SEMATECH e-Handbook,
1.3.6.7.2, upper critical values at 0.90)."""


@dataclass(frozen=True)
class Forecast:
    """When the open tests will have been made, if the crews go on as they did."""

    left: int
    per_day: float
    likely: date
    early: date | None
    """None where one day alone gives no range."""
    late: date | None
    """None where the pace varies so much that no latest day can be given."""


def forecast(tests_by_day: Mapping[date, int], left: int, today: date) -> Forecast | None:
    """Give the day on which `left` tests will be done; None without left tests or without a pace.

    Counts working days, Monday to Friday, and those of the weekend on which the crews also tested;
    the range is the 80 % interval of the mean of a day.
    """
    days = sorted(day for day, count in tests_by_day.items() if count > 0)[-DAYS_COUNTED:]
    if not days or left <= 0:
        return None
    counts = [tests_by_day[day] for day in days]
    mean = statistics.fmean(counts)
    weekends = any(day.weekday() >= 5 for day in days)
    begin = max(today, days[-1] + timedelta(days=1))
    early = late = None
    if len(counts) > 1:
        spread = STUDENT_80[len(counts) - 1] * statistics.stdev(counts) / math.sqrt(len(counts))
        early = _after(begin, left / (mean + spread), weekends)
        if mean - spread > mean / 10:
            late = _after(begin, left / (mean - spread), weekends)
    return Forecast(left, mean, _after(begin, left / mean, weekends), early, late)


def _after(begin: date, days: float, weekends: bool) -> date:
    """Give the working day on which `days` days of work that begin on `begin` end."""
    day, open_ = begin, max(1, math.ceil(days - 1e-9))
    while True:
        if weekends or day.weekday() < 5:
            open_ -= 1
            if open_ == 0:
                return day
        day += timedelta(days=1)
