"""Which of several readings of one test is the newest: better or worse, that one counts."""

from __future__ import annotations

import json
from typing import cast

import numpy as np
import pandas as pd

from rules import acts
from rules.columns import Flags, Ints, codes, starts
from rules.evaluation import Decisions
from rules.results import Candidates


def of(found: Candidates, among: Ints, decisions: Decisions) -> tuple[Flags, Flags]:
    """Find, among some rows, the newest reading of each test: (is the newest, order is unknown).

    By the clock; where one of them has none, by the place in one meter's own sequence; else by
    the start of their runs. Where none of these tells, every reading of the test is unknown,
    unless an answer says which one counts.
    """
    test = found.rows["test"].to_numpy()[among]
    alone = np.bincount(test, minlength=1)[test] == 1 if len(test) else np.zeros(0, "bool")
    last, unknown = alone.copy(), np.zeros(len(test), dtype="bool")
    several = np.flatnonzero(~alone)
    if len(several):
        last[several], unknown[several] = _last_of(found, among[several], decisions)
    return last, unknown


def _last_of(found: Candidates, among: Ints, decisions: Decisions) -> tuple[Flags, Flags]:
    rows = found.rows.take(among)
    at = rows["at"].to_numpy()
    number = np.unique(rows["test"].to_numpy(), return_inverse=True)[1]
    groups = int(number.max()) + 1
    clock = found.of("utc_s", rows)
    place = found.of("order", rows).astype("float64")
    meter, meters = codes(found.working["meter_serial"])
    named = np.array([bool(text) for text in meters], dtype="bool")[meter][at]
    meter = meter[at]
    run = rows["run"].to_numpy()
    started = np.append(acts.seconds(found.runs["started_at"]).to_numpy(), np.nan)[run]
    basis, bases = codes(found.working["order_basis"])
    placed = np.array([b != "none" for b in bases], dtype="bool")[basis][at] & (place > 0)

    def every(flags: Flags) -> Flags:
        return cast(Flags, (np.bincount(number, weights=~flags, minlength=groups) == 0)[number])

    first = np.zeros(groups, dtype="int64")
    first[number[::-1]] = meter[::-1]
    by_clock = every(~np.isnan(clock))
    by_place = ~by_clock & every(placed & named & (meter == first[number]))
    by_run = ~by_clock & ~by_place & every(placed & ~np.isnan(started))
    primary = np.select([by_clock, by_place, by_run], [clock, place, started], np.nan)
    order = np.lexsort((np.arange(len(rows)), place, primary, number))
    ends = np.flatnonzero(np.append(starts(number[order])[1:], True))
    before, end = order[ends - 1], order[ends]
    # two values at one time are in order only within one meter's (one run's) own sequence
    apart = np.where(by_run, run, meter)
    other = apart[end] != apart[before]
    tie = (primary[end] == primary[before]) & (other | (place[end] == place[before]))
    # clocks that show whole minutes do not order two meters within the minute
    step = found.working["clock_resolution_s"].to_numpy()[at]
    apart_s = primary[end] - primary[before]
    tie |= by_clock[end] & other & (apart_s < np.maximum(step[end], step[before]))
    tie |= np.isnan(primary[end])
    last = np.zeros(len(rows), dtype="bool")
    last[end[~tie]] = True
    unknown = np.zeros(groups, dtype="bool")
    unknown[number[end[tie]]] = True

    wanted = found.working["reading_id"].array.take(at)
    preferred = _chosen(decisions)
    if preferred and unknown.any():
        chosen = pd.Series(wanted).isin(list(preferred)).to_numpy()
        sole = np.bincount(number, weights=chosen, minlength=groups) == 1
        last = np.where(unknown[number] & sole[number], chosen, last)
        unknown &= ~sole
    return last, unknown[number]


def _chosen(decisions: Decisions) -> set[str]:
    """Return the readings that an answer to `order-unknown` named as the ones that count."""
    out: set[str] = set()
    for question, action, ids in decisions.answers[
        ["question_id", "action", "reading_ids"]
    ].itertuples(index=False):
        if action == "accept-value" and question.startswith("order-unknown"):
            out.update(json.loads(ids or "[]"))
    return out
