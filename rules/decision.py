"""The verdict on one result: decision rule, guard band, probability of conformity.

Decision rules after ILAC-G8:09/2019: 4.2.1 simple acceptance, 4.2.3 non-binary with guard band.
The edges belong to the better class, as JCGM 106:2012 3.3.5 Note 1 has it for tolerance limits.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from rules.columns import Flags, Floats, Ints
from rules.settings import Settings

VERDICTS = ("pass", "conditional-pass", "conditional-fail", "fail")
"""From best to worst."""

STEP_DB = 0.001
"""Values are compared after rounding once to this step."""


def thousandths(value: Floats) -> Floats:
    """Round to whole thousandths; an absent value (NaN) stays so."""
    steps = value / STEP_DB
    np.rint(steps, out=steps)
    return steps


def margin(value: Floats, low: Floats, high: Floats) -> Floats:
    """Return the distance to the nearer bound, positive inside, in steps of 0.001.

    An absent bound (NaN) is none; without any bound, or without a value, the margin is NaN.
    """
    steps = thousandths(value)
    inside = thousandths(high) - steps
    if not np.isnan(low).all():
        inside = np.fmin(inside, steps - thousandths(low))
    return inside / 1000


def guard_band(expanded: Floats, settings: Settings) -> Floats:
    """Return w = r U under the `guarded` rule, else 0 (JCGM 106:2012 8.3.2.3, ILAC-G8 Table 1)."""
    factor = settings.guard_factor if settings.decision_rule == "guarded" else 0.0
    return factor * expanded


def verdict(margin_db: Floats, expanded: Floats, settings: Settings) -> Ints:
    """Return the place in VERDICTS for each margin; -1 where there is no margin.

    Pass: margin >= w; conditional pass: >= 0; conditional fail: >= -w; fail: below. With w = 0 this
    is simple acceptance.
    """
    m = thousandths(margin_db)
    guarded = settings.decision_rule == "guarded"
    w = np.nan_to_num(thousandths(guard_band(expanded, settings))) if guarded else np.zeros(1)
    place = (m < w).astype("int8") + (m < 0) + (m < -w)
    place[np.isnan(margin_db)] = -1
    return place


def marginal(margin_db: Floats, expanded: Floats) -> Flags:
    """Tell whether the result is within its expanded uncertainty of the limit."""
    return np.abs(thousandths(margin_db)) <= np.nan_to_num(thousandths(expanded))


def p_conform(value: Floats, low: Floats, high: Floats, standard: Floats) -> Floats:
    """Return the probability that the true value lies within its bounds; NaN without any bound.

    JCGM 106:2012 7.3 and 7.4 (equations 8 to 11), normal distribution, no prior knowledge.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = _below(high, value, standard, 1.0)
        if not np.isnan(low).all():
            chance -= _below(low, value, standard, 0.0)
    bare = np.isnan(value) | np.isnan(standard) | (np.isnan(high) & np.isnan(low))
    chance[bare] = np.nan
    return chance


def _below(bound: Floats, value: Floats, standard: Floats, unbounded: float) -> Floats:
    """Return the probability that the true value lies below a bound, `unbounded` without one."""
    distance = (bound - value) / standard
    # a value exactly on a bound with no uncertainty: half
    distance[np.isnan(distance)] = 0.0
    chance = np.asarray(ndtr(distance))
    chance[np.isnan(bound)] = unbounded
    return chance
