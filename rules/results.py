"""Which readings are results of which planned test, and which of them is the current one.

A retest is a newer reading of the same link, kind, wavelength and known direction. The newest valid
reading counts, better or worse.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd

from rules import acts, kinds
from rules.codes import KINDS
from rules.columns import Flags, Ints, codes, combined, sorting
from rules.evaluation import Decisions
from rules.settings import Settings

VALID, VOID, REDO, BLOCKED, NO_REFERENCE, NO_VALUE = range(6)
"""Standing of a reading: it counts; a repair voids it; a person decided to test again; an open
finding holds it back; its power lacks a reference; it stores no value."""

WAYS = ("", "a-b", "b-a", "mean")
"""Directions by number; the first two as bits say what the plan asks for."""
RANK = np.argsort(np.argsort(KINDS))
"""Place of each of KINDS in the alphabet, so that tests sort as their export does."""
CORD_GRADES = ("", "reference", "standard")


@dataclass(frozen=True)
class Candidates:
    """The paired readings as numbers, and the texts that the numbers stand for.

    `rows` has, per reading: `at` (row of working), `link` (place in `links`, which is sorted),
    `kind` (place in KINDS), `wavelength_nm`, `way` (place in WAYS), `ways` (directions the plan
    asks for), `unplanned` (this one is not among them), `standing`, `test` (number of its planned
    test, which sorts by link, kind, wavelength and direction), `lane` (the same without the
    direction), `run` (row of runs, -1 without), `method`, `cords` (place in CORD_GRADES),
    `loss_db`, `power_dbm`, `utc_s`, `order`, `lit` (light was seen), `fibre_position`.
    """

    rows: pd.DataFrame
    links: Any
    working: pd.DataFrame
    runs: pd.DataFrame

    def texts(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return some rows with the texts that people and other tables know them by."""
        names = pd.array([*self.runs["run_id"], ""], dtype="str")
        kept = ["wavelength_nm", "loss_db", "power_dbm", "test"]
        named = rows[kept].assign(
            reading_id=self.working["reading_id"].array.take(rows["at"].to_numpy()),
            link_id=self.links.take(rows["link"].to_numpy()),
            run_id=names.take(rows["run"].to_numpy()),
            direction=pd.array(WAYS, dtype="str").take(rows["way"].to_numpy()),
        )
        return named.sort_values(["link_id", "wavelength_nm", "direction", "reading_id"])


def kind_numbers(column: pd.Series) -> Ints:
    """Return the place of each kind in KINDS; an unknown kind counts as a link."""
    number, texts = codes(column)
    known = {kind: place for place, kind in enumerate(KINDS)}
    place = np.array([known.get(text, 0) for text in texts], dtype="int64")
    return place[number] if len(place) else number


def way_numbers(column: pd.Series) -> Ints:
    """Return the place of each direction in WAYS."""
    number, texts = codes(column)
    place = np.array([WAYS.index(t) if t in WAYS else 0 for t in texts], dtype="int64")
    return place[number] if len(place) else number


def cord_numbers(column: pd.Series) -> Ints:
    """Return the place of each cord grade in CORD_GRADES."""
    number, texts = codes(column)
    place = [CORD_GRADES.index(t) if t in CORD_GRADES else 0 for t in texts]
    return np.array(place, dtype="int64")[number] if len(place) else number


def of_kind(rows: pd.DataFrame, names: Collection[str]) -> Flags:
    """Tell which rows are of one of these kinds."""
    return cast(Flags, np.array([kind in names for kind in KINDS])[rows["kind"].to_numpy()])


def candidates(
    planned: pd.DataFrame,
    working: pd.DataFrame,
    pairs: pd.DataFrame,
    at: Ints,
    links: tuple[Ints, Ints, Any],
    blocked: Collection[str],
    decisions: Decisions,
    runs: pd.DataFrame,
    settings: Settings,
) -> Candidates:
    """List the paired readings of `pairs` (all of them paired) by test, then by reading_id.

    `at` is the row of `working` of each pair, `links` are the numbers of the links of `pairs` and
    of `planned`, and their names in order. A direction that is not known is the planned one where
    only one is planned.
    """
    of_pair, of_plan, names = links
    quantity = np.append(working["quantity"].isin(("attenuation", "power")).to_numpy(), False)
    kept = np.flatnonzero(quantity[at])
    at = at[kept]
    kind = kind_numbers(pairs["kind"])[kept]
    light = np.array([k in kinds.LIGHT for k in KINDS])[kind]
    state, states = codes(working["state"])
    lit = np.array([s == "ok" for s in states], dtype="bool")[state]
    number, run_ids = codes(working["run_id"])
    run = pd.Index(runs["run_id"]).get_indexer(pd.Index(run_ids))
    rows = pd.DataFrame(
        {
            "at": at,
            "link": of_pair[kept],
            "kind": kind,
            "wavelength_nm": np.where(light, 0, pairs["wavelength_nm"].to_numpy()[kept]),
            "way": np.where(light, 0, way_numbers(pairs["direction"])[kept]),
            "run": run[number[at]] if len(run) else at[:0],
            "lit": lit[at],
        }
        | {
            name: working[name].to_numpy()[at]
            for name in ("loss_db", "power_dbm", "utc_s", "order", "fibre_position")
        }
    )
    rows = _with_cords(rows, runs, settings)
    rows = _directed(rows, planned, of_plan)
    rows = _one_per_record(rows, working)
    rows["test"] = rows["lane"] * len(WAYS) + rows["way"]
    rows = rows.take(_by_test(rows["test"].to_numpy(), rows["at"].to_numpy(), working))
    rows = rows.reset_index(drop=True)
    seen = np.array([s in ("ok", "no-light") for s in states], dtype="bool")
    found = Candidates(rows, names, working, runs)
    rows["standing"] = _standing(found, seen[state][rows["at"].to_numpy()], blocked, decisions)
    return found


def _by_test(test: Ints, at: Ints, working: pd.DataFrame) -> Ints:
    """Return the order by test, then by reading_id; ids are compared only within a test."""
    order = np.argsort(test, kind="stable")
    several = np.bincount(test, minlength=1)[test[order]] > 1
    tied = order[several]
    place = np.empty(len(tied), dtype="int64")
    place[sorting(working["reading_id"].take(at[tied]))] = np.arange(len(tied))
    order[several] = tied[np.lexsort((place, test[tied]))]
    return order


def _with_cords(rows: pd.DataFrame, runs: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Add the reference method and cord grade of each reading's run, else the job's."""
    own = settings.cords
    method = np.append(runs["reference_method"].to_numpy(), own.reference_method)
    grade = np.append(
        cord_numbers(runs["cord_grade"]), CORD_GRADES.index(own.grade if own.grade else "")
    )
    run = rows["run"].to_numpy()
    # light at a port is the same by any method
    light = of_kind(rows, kinds.LIGHT)
    return rows.assign(
        method=np.where(light, 0, method[run]).astype("int64"), cords=np.where(light, 0, grade[run])
    )


def _directed(rows: pd.DataFrame, planned: pd.DataFrame, of_plan: Ints) -> pd.DataFrame:
    """Add `lane` (link, kind and wavelength as one number) and what the plan asks of it."""
    kind = np.append(kind_numbers(planned["kind"]), rows["kind"].to_numpy())
    # only the kinds that occur, in the order of the alphabet: the lanes stay few
    there = np.zeros(len(KINDS), dtype="bool")
    there[RANK[kind]] = True
    kind = (np.cumsum(there) - 1)[RANK[kind]]
    nm, wavelengths = pd.factorize(
        np.append(planned["wavelength_nm"].to_numpy(), rows["wavelength_nm"].to_numpy()), sort=True
    )
    lane = np.append(of_plan, rows["link"].to_numpy()) * int(there.sum()) + kind
    lane = lane * len(wavelengths) + nm
    asked = np.zeros(int(lane.max(initial=-1)) + 1, dtype="int8")
    bits = way_numbers(planned["direction"])
    for bit in (1, 2):
        asked[lane[: len(planned)][bits == bit]] |= bit
    lane = lane[len(planned) :]
    asked = asked[lane].astype("int64")
    way = rows["way"].to_numpy()
    way = np.where((way == 0) & np.isin(asked, (1, 2)), asked, way)
    ways = np.array([0, 1, 1, 2])[asked]
    return rows.assign(lane=lane, way=way, ways=ways, unplanned=(way & ~asked) > 0)


def _one_per_record(rows: pd.DataFrame, working: pd.DataFrame) -> pd.DataFrame:
    """Keep the loss where one record stores a power beside the loss of the same fibre."""
    at = rows["at"].to_numpy()
    loss = (working["quantity"] == "attenuation").to_numpy()[at]
    if loss.all() or not loss.any():
        return rows
    key = combined(
        codes(working["dump_sha256"])[0][at],
        working["record"].to_numpy()[at],
        *(rows[c].to_numpy() for c in ("link", "kind", "way", "wavelength_nm", "fibre_position")),
    )
    has_loss = np.zeros(int(key.max(initial=-1)) + 1, dtype="bool")
    has_loss[key[loss]] = True
    beside = of_kind(rows, kinds.SUMMED) & ~loss & has_loss[key]
    kept: pd.DataFrame = rows.loc[~beside]
    return kept.reset_index(drop=True)


def _standing(
    found: Candidates, seen: Flags, blocked: Collection[str], decisions: Decisions
) -> Ints:
    rows = found.rows
    fine = rows["lit"].to_numpy()
    loss, power = rows["loss_db"].notna().to_numpy(), rows["power_dbm"].notna().to_numpy()
    by_loss = of_kind(rows, kinds.SUMMED)
    valued = np.select(
        [by_loss, of_kind(rows, ("access",)), of_kind(rows, ("power",))],
        [loss & fine, (loss | power) & fine, power & fine],
        seen,
    )
    standing = np.where(valued, VALID, NO_VALUE)
    standing = np.where(by_loss & fine & power & ~loss, NO_REFERENCE, standing)
    standing = np.where(_named(found, blocked), BLOCKED, standing)
    standing = np.where(_named(found, _to_redo(decisions)), REDO, standing)
    return np.where(_repaired(found, decisions), VOID, standing)


def _named(found: Candidates, ids: Collection[str]) -> Flags:
    """Tell which readings are among `ids`."""
    if not len(ids):
        return np.zeros(len(found.rows), dtype="bool")
    named = found.working["reading_id"].isin(list(ids)).to_numpy()
    return cast(Flags, named[found.rows["at"].to_numpy()])


def _repair_times(found: Candidates, decisions: Decisions) -> tuple[Any, Any]:
    """Return when each reading's link was repaired (NaN: never) and when its dump arrived, in s."""
    done = acts.repairs(decisions.acts)
    when = np.full(len(found.links), np.nan)
    place = pd.Index(found.links).get_indexer(pd.Index(done["link_id"]))
    when[place[place >= 0]] = done["repaired_s"].to_numpy()[place >= 0]
    number, texts = codes(found.working["arrived_at"])
    arrived = acts.seconds(pd.Series(texts, dtype="str")).to_numpy()[number]
    return when[found.rows["link"].to_numpy()], arrived[found.rows["at"].to_numpy()]


def _repaired(found: Candidates, decisions: Decisions) -> Flags:
    """Tell which readings are older than a repair of their link.

    A reading without a clock is older if it arrived before the repair was made; one that arrived
    later may be either and is left standing (grading makes a finding of it).
    """
    if not (decisions.acts["kind"] == "repair").any():
        return np.zeros(len(found.rows), dtype="bool")
    repaired, arrived = _repair_times(found, decisions)
    clock = found.rows["utc_s"].to_numpy()
    return cast(Flags, (clock < repaired) | (np.isnan(clock) & (arrived <= repaired)))


def undated_since_repair(found: Candidates, decisions: Decisions) -> Flags:
    """Tell which readings have no clock and arrived after a repair of their link."""
    if not (decisions.acts["kind"] == "repair").any():
        return np.zeros(len(found.rows), dtype="bool")
    repaired, arrived = _repair_times(found, decisions)
    return cast(Flags, np.isnan(found.rows["utc_s"].to_numpy()) & (arrived > repaired))


def _to_redo(decisions: Decisions) -> set[str]:
    """Return the readings a person decided to redo; the newest answer about a reading counts."""
    last: dict[str, str] = {}
    for action, ids in decisions.answers[["action", "reading_ids"]].itertuples(index=False):
        if action in ("retest", "accept-value"):
            last.update(dict.fromkeys(json.loads(ids or "[]"), action))
    return {reading for reading, action in last.items() if action == "retest"}
