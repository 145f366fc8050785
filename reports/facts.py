"""Tables that every document of a handover shares, joined once out of the evaluation."""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from reports import numbers
from rules import applications as supports
from rules.evaluation import Evaluation

KEY = ["link_id", "kind", "wavelength_nm", "direction"]

PLACE = [
    "cable", "building", "floor", "area", "a_end", "b_end", "tube", "strand", "pair",
    "pair_position", "fibre_type", "length_m", "length_source", "connections", "splices",
]  # fmt: skip

TESTED = [
    "taken_at", "taken_at_utc", "meter_serial", "source_serial", "operator", "run_id",
    "dump_sha256", "dump_name", "line", "label", "reference_dbm",
]  # fmt: skip

VERDICT = [
    "reading_ids", "loss_db", "power_dbm", "limit_db", "margin_db", "uncertainty_db", "p_conform",
    "grade", "marginal", "limit_name", "clause", "limit_confirmed", "limits", "min_db", "min_dbm",
    "max_dbm",
]  # fmt: skip

WORST = {
    name: place
    for place, name in enumerate(
        ("blocked", "no-reference", "no-limit", "pass", "conditional-pass", "conditional-fail",
         "fail")
    )
}  # fmt: skip
"""Over several limits the worst verdict is shown, and `no-limit` only where none gave one."""


def each(frame: pd.DataFrame) -> Iterable[Any]:
    """Go through a table's rows as named tuples.

    Whole columns are turned into lists first: going through text column by column is ten times
    slower (measured).
    """
    row = namedtuple("row", list(frame.columns), rename=True)  # type: ignore[misc]
    return map(row._make, zip(*(frame[name].tolist() for name in frame.columns), strict=True))


def _filled(table: pd.DataFrame) -> None:
    """Give the text columns of a joined table their absent value."""
    names: list[str] = list(table.select_dtypes(include="str").columns)
    table[names] = table[names].fillna("")


def results(evaluation: Evaluation, list_mean: bool = False) -> pd.DataFrame:
    """Join one row per planned test, in the order of the plan, with its deciding grade.

    Columns: row (from 1), TEST_STATES, the numbers of the deciding grade, `digits` (2 or 3, see
    `numbers.places`), the link's place (PLACE) and who measured it when (TESTED). Where the two
    directions are judged by their mean, a row with direction `mean` follows them; `list_mean` adds
    such a row without grade, for information, where each direction is judged.
    """
    tests = evaluation.test_states[[*KEY, "position", "state", "why", "reading_id"]]
    live = deciding(evaluation.grades)
    mean = live.loc[live["direction"] == "mean"]
    if len(mean):
        pair = tests.drop_duplicates(["link_id", "kind", "wavelength_nm"]).drop(
            columns=["direction", "reading_id"]
        )
        extra = pair.merge(mean[KEY], on=["link_id", "kind", "wavelength_nm"])
        tests = pd.concat([tests, extra.assign(reading_id="")], ignore_index=True)
    table = tests.merge(live[[*KEY, *VERDICT]], on=KEY, how="left")
    if list_mean:
        table = pd.concat([table, _means(table)], ignore_index=True)
    table["grade"] = table["grade"].fillna("")
    for column in ("limit_name", "clause", "reading_ids"):
        table[column] = table[column].fillna("")
    for column in ("marginal", "limit_confirmed"):
        table[column] = table[column].eq(True)
    links = evaluation.plan.links[["link_id", *PLACE]]
    table = table.merge(links, on="link_id", how="left")
    table = table.merge(
        evaluation.readings[["reading_id", *TESTED]].drop_duplicates("reading_id"),
        on="reading_id", how="left",
    )  # fmt: skip
    _filled(table)
    table["line"] = table["line"].fillna(0).astype("int64")
    table = table.sort_values(
        ["position", "link_id", "kind", "wavelength_nm", "direction"], kind="stable",
        ignore_index=True,
    )  # fmt: skip
    table["digits"] = numbers.places(table["loss_db"], table["limit_db"], table["uncertainty_db"])
    table.insert(0, "row", np.arange(1, len(table) + 1))
    return table


def _means(table: pd.DataFrame) -> pd.DataFrame:
    """Make a row with the mean loss of both directions where both are graded and none is there."""
    key = ["link_id", "kind", "wavelength_nm"]
    single = table.loc[table["direction"].isin(("a-b", "b-a")) & table["loss_db"].notna()]
    known = table.loc[table["direction"] == "mean", key].assign(known=True)
    both = single.groupby(key, as_index=False).agg(
        position=("position", "first"), loss_db=("loss_db", "mean"), ways=("direction", "nunique")
    )
    both = both.merge(known, on=key, how="left")
    both = both.loc[(both["ways"] == 2) & both["known"].isna()].drop(columns=["ways", "known"])
    return both.assign(
        direction="mean", state="", why="", reading_id="", loss_db=both["loss_db"].round(3)
    )


def deciding(grades: pd.DataFrame) -> pd.DataFrame:
    """Reduce current GRADES to the row that decides each test: worst verdict, smallest margin."""
    live = grades.loc[grades["grade"] != "superseded"].copy()
    live["worst"] = live["grade"].map(WORST).fillna(-1)
    live = live.sort_values(
        [*KEY, "worst", "margin_db", "limit_name"], kind="stable",
        ascending=[True, True, True, True, False, True, True],
    )  # fmt: skip
    return live.drop_duplicates(KEY).drop(columns="worst")


def superseded(evaluation: Evaluation) -> pd.DataFrame:
    """Join results that a newer reading replaced with their readings and places, plan order."""
    gone = evaluation.grades.loc[evaluation.grades["grade"] == "superseded"].copy()
    gone = gone[[*KEY, *VERDICT]].assign(reading_id=first_reading(gone["reading_ids"]))
    links = evaluation.plan.links[["link_id", "position", *PLACE]]
    table = gone.merge(links, on="link_id", how="left").merge(
        evaluation.readings[["reading_id", *TESTED]].drop_duplicates("reading_id"),
        on="reading_id", how="left",
    )  # fmt: skip
    _filled(table)
    table["digits"] = numbers.places(table["loss_db"], table["limit_db"], table["uncertainty_db"])
    return table.sort_values(
        ["position", "wavelength_nm", "direction", "taken_at_utc", "reading_id", "limit_name"],
        kind="stable", ignore_index=True,
    )  # fmt: skip


def references(evaluation: Evaluation) -> pd.DataFrame:
    """List every reference: those a meter stored and those that readings of a run were set to.

    Columns: run_id, meter_serial, source_serial, wavelength_nm, reference_dbm, taken_at, origin
    (`stored` or `applied`), readings (how many losses rest on it).
    """
    keys = ["run_id", "meter_serial", "source_serial", "wavelength_nm", "reference_dbm"]
    stored = evaluation.readings.loc[evaluation.readings["quantity"] == "reference"]
    used = evaluation.readings.loc[
        (evaluation.readings["quantity"] != "reference")
        & evaluation.readings["reference_dbm"].notna()
    ]
    applied = used.groupby(keys, as_index=False, sort=True).agg(
        taken_at=("taken_at", "min"), readings=("reading_id", "size")
    )
    table = pd.concat(
        [stored[[*keys, "taken_at"]].assign(origin="stored", readings=0),
         applied.assign(origin="applied")], ignore_index=True,
    )  # fmt: skip
    return table.sort_values(
        ["run_id", "wavelength_nm", "taken_at", "origin"], kind="stable", ignore_index=True
    )


def first_reading(ids: pd.Series) -> pd.Series:
    """Take the first id out of JSON lists of reading ids."""
    return ids.str.extract(r'"([^"]+)"', expand=False).fillna("").astype("str")


def summary(evaluation: Evaluation) -> pd.DataFrame:
    """List completion of every area (or building without areas) and cable, in plan order."""
    counts = evaluation.completion
    links = evaluation.plan.links
    parts = []
    for scope in ("building", "area", "cable"):
        order = {name: place for place, name in enumerate(links[scope].drop_duplicates())}
        rows = counts.loc[counts["scope"] == scope].copy()
        rows["place"] = rows["name"].map(order)
        parts.append(rows.sort_values("place", kind="stable").drop(columns="place"))
    return pd.concat(parts, ignore_index=True)


def job_row(evaluation: Evaluation) -> dict[str, int]:
    """Return the counts of the whole job by the names of COMPLETION."""
    rows = evaluation.completion.loc[evaluation.completion["scope"] == "job"]
    names = [name for name in evaluation.completion.columns if name not in ("scope", "name")]
    if rows.empty:
        return dict.fromkeys(names, 0)
    return {name: int(rows.iloc[0][name]) for name in names}


def unresolved(table: pd.DataFrame) -> pd.DataFrame:
    """Take the results (see `results`) that are not accepted, one row per test."""
    return table.loc[(table["state"] != "accepted") & (table["direction"] != "mean")]


def applications(evaluation: Evaluation) -> pd.DataFrame:
    """Count the links that carry each network application, for those that at least one carries.

    Columns: application, standard, clause, wavelength_nm, fibre_type, max_loss_db, confidence,
    supported, links (those measured at the application's wavelength).
    """
    measured = supports.results(evaluation.plan.links, evaluation.grades)
    if measured.empty:
        return pd.DataFrame()
    table = supports.supported(measured)
    fibre = measured.drop_duplicates("link_id")[["link_id", "fibre_type"]]
    table = table.loc[table["channel_db"].notna()].merge(fibre, on="link_id")
    keys = ["application", "standard", "clause", "wavelength_nm", "fibre_type"]
    counted = table.groupby(keys, as_index=False, sort=True).agg(
        max_loss_db=("max_loss_db", "first"), confidence=("confidence", "first"),
        supported=("supported", "sum"), links=("link_id", "size"),
    )  # fmt: skip
    counted["wavelength_nm"] = counted["wavelength_nm"].astype("int64")
    order = ["fibre_type", "wavelength_nm", "application", "standard"]
    return counted.loc[counted["supported"] > 0].sort_values(
        order, kind="stable", ignore_index=True
    )


def outward(evaluation: Evaluation) -> Evaluation:
    """Leave out the findings that are for the supervisor alone, and what is asked about them."""
    from dataclasses import replace

    from rules.codes.checking import PRIVATE

    def open_to_all(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.loc[~frame["code"].isin(PRIVATE)].reset_index(drop=True)

    return replace(
        evaluation,
        findings=open_to_all(evaluation.findings),
        questions=open_to_all(evaluation.questions),
    )


def restrict(evaluation: Evaluation, kind: str, name: str) -> Evaluation:
    """Cut an evaluation down to the links of one cable, area, floor or building.

    Raises KeyError with the names there are if no link lies in that scope.
    """
    from dataclasses import replace

    from rules import completion
    from rules.evaluation import Plan

    links = evaluation.plan.links
    column = links["building"] + "/" + links["floor"] if kind == "floor" else links[kind]
    kept = links.loc[column == name].reset_index(drop=True)
    if kept.empty:
        raise KeyError(", ".join(sorted(set(column) - {""})))
    inside = set(kept["link_id"])

    def of(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.loc[frame["link_id"].isin(inside)].reset_index(drop=True)

    pairs = of(evaluation.pairs)
    states = of(evaluation.test_states)
    of_run = evaluation.readings["run_id"].where(
        evaluation.readings["reading_id"].isin(pairs["reading_id"])
    )
    run_ids = set(of_run.dropna()) - {""}
    reading = evaluation.readings
    used = reading["reading_id"].isin(pairs["reading_id"]) | (
        (reading["quantity"] == "reference") & reading["run_id"].isin(run_ids)
    )
    found = evaluation.findings
    about = found["link_id"].isin(inside) | (
        (found["link_id"] == "") & ((found["run_id"] == "") | found["run_id"].isin(run_ids))
    )
    return replace(
        evaluation,
        plan=Plan(kept, evaluation.plan.revision),
        planned=of(evaluation.planned),
        readings=reading.loc[used].reset_index(drop=True),
        runs=evaluation.runs.loc[evaluation.runs["run_id"].isin(run_ids)].reset_index(drop=True),
        pairs=pairs,
        findings=found.loc[about].reset_index(drop=True),
        limits=of(evaluation.limits),
        grades=of(evaluation.grades),
        test_states=states,
        completion=completion.count(states, kept),
        retests=of(evaluation.retests),
    )
