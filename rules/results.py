"""Which readings are results of which planned test, and which of them is the current one.

A retest is a newer reading of the same link, kind, wavelength and known direction. The newest valid
reading counts, better or worse.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import cast

import numpy as np
import pandas as pd

from rules import acts, kinds
from rules.columns import Flags, Ints, codes, combined, starts
from rules.evaluation import Decisions

TEST = ("link_id", "kind", "wavelength_nm", "direction")
"""What names a planned test."""

WAYS = {"a-b": 1, "b-a": 2}
"""Directions as bits."""

TAKEN = (
    "quantity", "loss_db", "power_dbm", "state", "run_id", "meter_serial", "utc_s", "order",
    "order_basis", "fibre_position", "dump_sha256", "record", "arrived_at",
)  # fmt: skip

VALID, VOID, REDO, BLOCKED, NO_REFERENCE, NO_VALUE = range(6)
"""Standing of a reading: it counts; a repair voids it; a person decided to test again; an open
finding holds it back; its power lacks a reference; it stores no value."""


def candidates(
    planned: pd.DataFrame,
    working: pd.DataFrame,
    pairs: pd.DataFrame,
    blocked: Collection[str],
    decisions: Decisions,
) -> pd.DataFrame:
    """List the paired readings with their test, `standing` and what grading needs of them.

    A direction that is not known is the planned one where only one is planned. Adds `planned_ways`,
    how many directions the plan asks for, and `unplanned`: this one is not among them.
    """
    paired = pairs.loc[pairs["status"] == "paired", ["reading_id", *TEST]]
    place = pd.Index(working["reading_id"]).get_indexer(paired["reading_id"])
    paired, place = paired.loc[place >= 0], place[place >= 0]
    taken = working[[c for c in TAKEN if c in working.columns]].take(place)
    rows = pd.concat([paired.reset_index(drop=True), taken.reset_index(drop=True)], axis=1)
    rows = rows.loc[rows["quantity"].isin(("attenuation", "power"))].reset_index(drop=True)
    light = rows["kind"].isin(kinds.LIGHT)
    rows["wavelength_nm"] = rows["wavelength_nm"].mask(light, 0)
    rows["direction"] = rows["direction"].mask(light, "")
    rows = _known_direction(rows, planned)
    rows = _one_per_record(rows)
    rows["standing"] = _standing(rows, blocked, decisions)
    return rows


def _known_direction(rows: pd.DataFrame, planned: pd.DataFrame) -> pd.DataFrame:
    key = list(TEST[:3])
    bits = planned[key].assign(ways=planned["direction"].map(WAYS).fillna(0).astype("int64"))
    ways = bits.drop_duplicates().groupby(key, sort=False)["ways"].sum().reset_index()
    asked = rows[key].merge(ways, on=key, how="left")["ways"].fillna(0).to_numpy("int64")
    blank = (rows["direction"] == "").to_numpy()
    for way, bit in WAYS.items():
        rows["direction"] = rows["direction"].mask(blank & (asked == bit), way)
    own = rows["direction"].map(WAYS).fillna(0).to_numpy("int64")
    rows["planned_ways"] = (asked == 3) * 2 + np.isin(asked, (1, 2)) * 1
    rows["unplanned"] = (own & ~asked) > 0
    return rows


def _one_per_record(rows: pd.DataFrame) -> pd.DataFrame:
    """Keep the loss where one record stores a power beside the loss of the same fibre."""
    if rows["quantity"].nunique() < 2:
        return rows
    both = rows["kind"].isin(kinds.SUMMED)
    key = combined(
        *(codes(rows[c])[0] for c in ("link_id", "kind", "direction", "dump_sha256")),
        *(rows[c].to_numpy() for c in ("wavelength_nm", "record", "fibre_position")),
    )
    is_loss = (rows["quantity"] == "attenuation").to_numpy()
    has_loss = np.zeros(int(key.max(initial=-1)) + 1, dtype="bool")
    has_loss[key[is_loss]] = True
    beside = both.to_numpy() & ~is_loss & has_loss[key]
    return rows.loc[~beside].reset_index(drop=True)


def _standing(rows: pd.DataFrame, blocked: Collection[str], decisions: Decisions) -> Ints:
    kind = rows["kind"]
    fine = (rows["state"] == "ok").to_numpy()
    loss, power = rows["loss_db"].notna().to_numpy(), rows["power_dbm"].notna().to_numpy()
    by_loss = kind.isin(kinds.SUMMED).to_numpy()
    valued = np.select(
        [by_loss, (kind == "access").to_numpy(), (kind == "power").to_numpy()],
        [loss & fine, (loss | power) & fine, power & fine],
        rows["state"].isin(("ok", "no-light")).to_numpy(),
    )
    standing = np.where(valued, VALID, NO_VALUE)
    standing = np.where(by_loss & fine & power & ~loss, NO_REFERENCE, standing)
    if len(blocked):
        held = rows["reading_id"].isin(set(blocked)).to_numpy()
        standing = np.where(held, BLOCKED, standing)
    standing = np.where(_to_redo(rows, decisions), REDO, standing)
    return np.where(_repaired(rows, decisions), VOID, standing).astype("int64")


def _repaired(rows: pd.DataFrame, decisions: Decisions) -> Flags:
    """Tell which readings are older than a repair of their link.

    A reading without a clock is older if it arrived before the repair was made; one that arrived
    later may be either and is left standing (grading makes a finding of it).
    """
    done = acts.repairs(decisions.acts)
    if done.empty:
        return np.zeros(len(rows), dtype="bool")
    repaired = rows["link_id"].map(done.set_index("link_id")["repaired_s"]).to_numpy("float64")
    seen = rows["utc_s"].to_numpy("float64")
    arrived = acts.seconds(rows["arrived_at"]).to_numpy()
    older = (seen < repaired) | (np.isnan(seen) & (arrived <= repaired))
    return cast(Flags, older)


def undated_since_repair(rows: pd.DataFrame, decisions: Decisions) -> Flags:
    """Tell which readings have no clock and arrived after a repair of their link."""
    done = acts.repairs(decisions.acts)
    if done.empty:
        return np.zeros(len(rows), dtype="bool")
    repaired = rows["link_id"].map(done.set_index("link_id")["repaired_s"]).to_numpy("float64")
    arrived = acts.seconds(rows["arrived_at"]).to_numpy()
    return cast(Flags, np.isnan(rows["utc_s"].to_numpy("float64")) & (arrived > repaired))


def _to_redo(rows: pd.DataFrame, decisions: Decisions) -> Flags:
    """Tell which readings a person decided to redo; the newest answer about a reading counts."""
    last: dict[str, str] = {}
    for action, ids in decisions.answers[["action", "reading_ids"]].itertuples(index=False):
        if action in ("retest", "accept-value"):
            last.update(dict.fromkeys(json.loads(ids or "[]"), action))
    redo = {reading for reading, action in last.items() if action == "retest"}
    return cast(Flags, rows["reading_id"].isin(redo).to_numpy())


def chosen(decisions: Decisions) -> set[str]:
    """Return the readings that an answer to `order-unknown` named as the ones that count."""
    out: set[str] = set()
    for question, action, ids in decisions.answers[
        ["question_id", "action", "reading_ids"]
    ].itertuples(index=False):
        if action == "accept-value" and question.startswith("order-unknown"):
            out.update(json.loads(ids or "[]"))
    return out


def newest(
    rows: pd.DataFrame, runs: pd.DataFrame, preferred: Collection[str] = ()
) -> tuple[Ints, Flags, Flags]:
    """Find the newest reading of each test: (test number, is the newest, order is unknown).

    By the clock; where one of them has none, by the place in one meter's own sequence; else by
    the start of their runs. Where none of these tells, every reading of the test is unknown,
    unless exactly one of them is `preferred`.
    """
    test = combined(
        *(codes(rows[c])[0] for c in ("link_id", "kind", "direction")),
        rows["wavelength_nm"].to_numpy(),
    )
    count = np.bincount(test, minlength=1) if len(test) else np.zeros(1, "int64")
    alone = count[test] == 1 if len(test) else np.zeros(0, "bool")
    last, unknown = alone.copy(), np.zeros(len(rows), dtype="bool")
    several = np.flatnonzero(~alone)
    if len(several):
        one, none = _last_of(rows.take(several), test[several], runs, preferred)
        last[several], unknown[several] = one, none
    return test, last, unknown


def _last_of(
    rows: pd.DataFrame, test: Ints, runs: pd.DataFrame, preferred: Collection[str]
) -> tuple[Flags, Flags]:
    clock = rows["utc_s"].to_numpy("float64")
    place = rows["order"].to_numpy("float64")
    meter = codes(rows["meter_serial"])[0]
    run = codes(rows["run_id"])[0]
    started = acts.seconds(rows["run_id"].map(_starts(runs))).to_numpy()
    placed = (rows["order_basis"] != "none").to_numpy() & (place > 0)
    named = (rows["meter_serial"] != "").to_numpy()

    _, number = np.unique(test, return_inverse=True)
    groups = int(number.max()) + 1

    def every(flags: Flags) -> Flags:
        return cast(Flags, (np.bincount(number, weights=~flags, minlength=groups) == 0)[number])

    def same(values: Ints) -> Flags:
        first = np.zeros(groups, dtype="int64")
        first[number[::-1]] = values[::-1]
        return every(values == first[number])

    by_clock = every(~np.isnan(clock))
    by_place = ~by_clock & every(placed) & every(named) & same(meter)
    by_run = ~by_clock & ~by_place & every(~np.isnan(started)) & every(placed)
    primary = np.select([by_clock, by_place, by_run], [clock, place, started], np.nan)
    by_number = np.argsort(rows["reading_id"].to_numpy(), kind="stable")
    rank = np.empty(len(rows), dtype="int64")
    rank[by_number] = np.arange(len(rows))
    order = np.lexsort((rank, place, primary, number))
    ends = np.flatnonzero(np.append(starts(number[order])[1:], True))
    before, at = order[ends - 1], order[ends]
    # two values at one time are in order only within one meter's (one run's) own sequence
    apart = np.where(by_run, run, meter)
    tie = (primary[at] == primary[before]) & (
        (apart[at] != apart[before]) | (place[at] == place[before])
    )
    tie |= np.isnan(primary[at])
    last = np.zeros(len(rows), dtype="bool")
    last[at[~tie]] = True
    unknown = np.zeros(groups, dtype="bool")
    unknown[number[at[tie]]] = True

    if len(preferred) and unknown.any():
        wanted = rows["reading_id"].isin(set(preferred)).to_numpy()
        sole = np.bincount(number, weights=wanted, minlength=groups) == 1
        last |= wanted & (unknown & sole)[number]
        unknown &= ~sole
    return last, unknown[number]


def _starts(runs: pd.DataFrame) -> pd.Series:
    return runs.drop_duplicates("run_id").set_index("run_id")["started_at"]
