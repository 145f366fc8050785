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
from rules.columns import Flags, Ints, among, codes, combined, distinct, numbers, places, sorting
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
    `loss_db`, `power_dbm`, `lit` (light was seen).
    """

    rows: pd.DataFrame
    links: Any
    working: pd.DataFrame
    runs: pd.DataFrame

    def of(self, name: str, rows: pd.DataFrame) -> Any:
        """Return a column of working beside some rows, for the few that ask for it."""
        return self.working[name].to_numpy()[rows["at"].to_numpy()]

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
    return places(column, KINDS)


def way_numbers(column: pd.Series) -> Ints:
    """Return the place of each direction in WAYS."""
    return places(column, WAYS)


def cord_numbers(column: pd.Series) -> Ints:
    """Return the place of each cord grade in CORD_GRADES."""
    return places(column, CORD_GRADES)


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
    measured = np.append(among(working["quantity"], ("attenuation", "power")), False)
    kept = np.flatnonzero(measured[at])
    at, link = at[kept], of_pair[kept]
    kind = kind_numbers(pairs["kind"])[kept]
    way = way_numbers(pairs["direction"])[kept]
    nm = pairs["wavelength_nm"].to_numpy()[kept]
    light = np.array([k in kinds.LIGHT for k in KINDS])[kind]
    way[light], nm[light] = 0, 0
    lane, asked = _lanes(planned, of_plan, link, kind, nm)
    way = np.where((way == 0) & (asked < 3), asked, way)
    test = lane * len(WAYS) + way
    order = _by_test(test, at, working)
    single = _one_per_record(link, kind, nm, way, at, working)
    kept = order if single.all() else order[single[order]]
    at, way, kind, asked = (values[kept] for values in (at, way, kind, asked))

    number, run_ids = codes(working["run_id"])
    run = pd.Index(runs["run_id"]).get_indexer(pd.Index(run_ids)).astype("int32")
    run = run[number[at]] if len(run) else at[:0]
    method, cords = _cords(run, light[kept], runs, settings)
    lit = (working["state"] == "ok").to_numpy()[at]
    columns = {
        "at": at, "link": link[kept], "kind": kind, "wavelength_nm": nm[kept], "way": way,
        "lane": lane[kept], "test": test[kept], "run": run, "method": method, "cords": cords,
        "lit": lit, "ways": np.array([0, 1, 1, 2], dtype="int8")[asked],
        "unplanned": (way & ~asked) > 0, "loss_db": working["loss_db"].to_numpy()[at],
        "power_dbm": working["power_dbm"].to_numpy()[at],
    }  # fmt: skip
    found = Candidates(pd.DataFrame(columns, copy=False), names, working, runs)
    seen = lit | (working["state"] == "no-light").to_numpy()[at]
    found.rows["standing"] = _standing(found, seen, blocked, decisions)
    return found


def _by_test(test: Ints, at: Ints, working: pd.DataFrame) -> Ints:
    """Return the order by test, then by reading_id; ids are compared only within a test."""
    order = np.argsort(test, kind="stable")
    ordered = test[order]
    again = ordered[1:] == ordered[:-1]
    if not again.any():
        return order
    several = np.append(again, False)
    several[1:] |= again
    tied = order[several]
    place = np.empty(len(tied), dtype="int64")
    place[sorting(working["reading_id"].take(at[tied]))] = np.arange(len(tied))
    order[several] = tied[np.lexsort((place, test[tied]))]
    return order


def _cords(run: Ints, light: Flags, runs: pd.DataFrame, settings: Settings) -> tuple[Ints, Ints]:
    """Return the reference method and cord grade of each reading's run, else the job's."""
    own = settings.cords
    method: Ints = np.append(runs["reference_method"].to_numpy("int64"), own.reference_method)[run]
    grade = CORD_GRADES.index(own.grade if own.grade else "")
    cords = np.append(cord_numbers(runs["cord_grade"]), grade)[run]
    # light at a port is the same by any method
    method[light], cords[light] = 0, 0
    return method, cords


def _lanes(
    planned: pd.DataFrame, of_plan: Ints, link: Ints, kind: Ints, nm: Ints
) -> tuple[Ints, Ints]:
    """Return link, kind and wavelength of each reading as one number, and what the plan asks of it.

    Asked is the sum of the directions planned, as WAYS has them: 1, 2 or 3 for both.
    """
    of_kind, of_nm = kind_numbers(planned["kind"]), planned["wavelength_nm"].to_numpy()
    # only the kinds and wavelengths that occur: the lanes stay few
    there = np.zeros(len(KINDS), dtype="bool")
    there[RANK[of_kind]] = there[RANK[kind]] = True
    place = (np.cumsum(there) - 1)[RANK].astype("int8")
    wavelengths = distinct(np.append(pd.unique(of_nm), pd.unique(nm)))

    def number(link: Ints, kind: Ints, nm: Ints) -> Ints:
        lane: Ints = link * int(there.sum())
        lane += place[kind]
        lane *= len(wavelengths)
        lane += np.searchsorted(wavelengths, nm)
        return lane

    of_test, lane = number(of_plan, of_kind, of_nm), number(link, kind, nm)
    lanes = int(max(of_test.max(initial=-1), lane.max(initial=-1))) + 1
    asked = np.zeros(lanes, dtype="int8")
    bits = way_numbers(planned["direction"])
    for bit in (1, 2):
        asked[of_test[bits == bit]] |= bit
    return lane, asked[lane]


def _one_per_record(
    link: Ints, kind: Ints, nm: Ints, way: Ints, at: Ints, working: pd.DataFrame
) -> Flags:
    """Tell which readings stay where one record stores a power beside the loss of one fibre."""
    loss = (working["quantity"] == "attenuation").to_numpy()[at]
    if loss.all() or not loss.any():
        return np.ones(len(at), dtype="bool")
    key = combined(
        numbers(working["dump_sha256"])[at], working["record"].to_numpy()[at],
        link, kind, way, nm, working["fibre_position"].to_numpy()[at],
    )  # fmt: skip
    has_loss = np.zeros(int(key.max(initial=-1)) + 1, dtype="bool")
    has_loss[key[loss]] = True
    summed = np.array([k in kinds.SUMMED for k in KINDS])[kind]
    return ~(summed & ~loss & has_loss[key])


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
    standing = np.where(valued, np.int8(VALID), np.int8(NO_VALUE))
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
    clock = found.of("utc_s", found.rows)
    return cast(Flags, (clock < repaired) | (np.isnan(clock) & (arrived <= repaired)))


def undated_since_repair(found: Candidates, decisions: Decisions) -> Flags:
    """Tell which readings have no clock and arrived after a repair of their link."""
    if not (decisions.acts["kind"] == "repair").any():
        return np.zeros(len(found.rows), dtype="bool")
    repaired, arrived = _repair_times(found, decisions)
    return cast(Flags, np.isnan(found.of("utc_s", found.rows)) & (arrived > repaired))


def _to_redo(decisions: Decisions) -> set[str]:
    """Return the readings a person decided to redo; the newest answer about a reading counts."""
    last: dict[str, str] = {}
    for action, ids in decisions.answers[["action", "reading_ids"]].itertuples(index=False):
        if action in ("retest", "accept-value"):
            last.update(dict.fromkeys(json.loads(ids or "[]"), action))
    return {reading for reading, action in last.items() if action == "retest"}
