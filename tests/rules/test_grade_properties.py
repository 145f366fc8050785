"""What must hold of limits and grades whatever the job: generated jobs."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import decision, grades, limits, tables
from tests.rules import graded
from tests.rules.graded import SETTINGS

NAMES = ("tia-568.3-d", "tia-568-c.3", "iso-iec-11801-1-2017", "en-50173-1-2007")
GUARDED = replace(SETTINGS, decision_rule="guarded", limits=NAMES[:2])
VERDICT = (*decision.VERDICTS, "no-limit")

LINKS = [f"L{n:03d}" for n in range(150)]
PLAN = graded.links(*({"link_id": name, "directions": "both"} for name in LINKS))
RUNS = graded.runs({"run_id": "R1"}, {"run_id": "R2", "reference_method": 3})


def readings(seed: int, count: int = 700) -> pd.DataFrame:
    """Readings at random: retests, unknown directions, no clocks, equal times, dark fibres."""
    draw = np.random.default_rng(seed)
    number = [f"r{seed}-{n:04d}" for n in range(count)]
    table = pd.DataFrame(
        {
            "reading_id": draw.permutation(number),
            "link_id": draw.choice(LINKS, count),
            "direction": draw.choice(["a-b", "b-a", ""], count, p=[0.45, 0.45, 0.1]),
            "loss_db": np.round(draw.uniform(0, 5, count), 3),
            "utc_s": np.where(draw.random(count) < 0.2, np.nan, draw.integers(0, 6, count)),
            "meter_serial": draw.choice(["MA", "MB", ""], count),
            "order": draw.integers(0, 5, count),
            "order_basis": draw.choice(["clock", "slot", "none"], count),
            "run_id": draw.choice(["R1", "R2"], count),
            "state": draw.choice(["ok", "no-light"], count, p=[0.9, 0.1]),
        }
    )
    return graded.working(
        *({str(k): v for k, v in row.items()} for row in table.to_dict("records"))
    )


def grade(table: pd.DataFrame, job: Any = GUARDED, **more: Any) -> grades.Graded:
    return graded.grade(table, PLAN, RUNS, job, **more)


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return readings(1)


@pytest.fixture(scope="module")
def made(table: pd.DataFrame) -> grades.Graded:
    return grade(table)


@pytest.mark.parametrize("rule", ["each", "mean"])
def test_the_order_of_rows_changes_nothing(table: pd.DataFrame, rule: str) -> None:
    job = replace(GUARDED, direction_rule=rule)
    one = grade(table, job)
    two = grade(table.sample(frac=1, random_state=3).reset_index(drop=True), job)
    for name in ("grades", "findings", "questions"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


def test_rows_come_as_the_export_sorts_them(made: grades.Graded) -> None:
    key = list(tables.KEYS["grades"])
    exported = tables.canonical(made.grades, "grades")
    pd.testing.assert_frame_equal(tables.spelled(made.grades)[key], exported[key])


def test_each_planned_test_has_one_current_result_at_most(made: grades.Graded) -> None:
    verdict = made.grades.loc[made.grades["grade"].isin(VERDICT)]
    assert len(verdict) > 100
    assert not verdict.duplicated(["link_id", "kind", "wavelength_nm", "direction"]).any()
    assert (verdict["direction"] != "").all()
    shown = [i for ids in made.grades["reading_ids"] for i in json.loads(ids)]
    assert len(shown) == len(set(shown))


def test_the_newest_by_the_clock_counts_where_all_have_one(
    table: pd.DataFrame, made: grades.Graded
) -> None:
    valued = table.loc[(table["state"] == "ok") & (table["direction"] != "")]
    tests = valued.groupby(["link_id", "direction"])
    clocked = tests["utc_s"].transform(lambda t: t.notna().all() and (t == t.max()).sum() == 1)
    newest = valued.loc[clocked & (valued["utc_s"] == tests["utc_s"].transform("max"))]
    verdict = made.grades.loc[made.grades["grade"].isin(VERDICT)]
    named = verdict["reading_ids"].str.slice(2, -2)
    both = newest.merge(verdict.assign(shown=named), on=["link_id", "direction"])
    assert len(both) > 50
    assert (both["shown"] == both["reading_id"]).all()


def test_other_links_readings_change_no_grade(table: pd.DataFrame, made: grades.Graded) -> None:
    some = table.loc[table["link_id"] < LINKS[60]].reset_index(drop=True)
    alone = grade(some).grades
    among = made.grades.loc[made.grades["link_id"] < LINKS[60]].reset_index(drop=True)
    pd.testing.assert_frame_equal(alone, among, check_categorical=False)


def test_a_further_limit_never_improves_a_grade(table: pd.DataFrame, made: grades.Graded) -> None:
    rank = {name: place for place, name in enumerate(decision.VERDICTS)}
    more = grade(table, replace(GUARDED, limits=NAMES)).grades["grade"].map(rank)
    fewer = made.grades["grade"].map(rank)
    assert (more.fillna(-1) >= fewer.fillna(-1)).all()


def test_a_held_reading_never_decides(table: pd.DataFrame) -> None:
    held = tuple(table["reading_id"].iloc[::2])
    result = grade(table, blocked=held).grades
    judged = result.loc[result["grade"].isin((*VERDICT, "superseded")), "reading_ids"]
    assert not {i for ids in judged for i in json.loads(ids)} & set(held)


FEW = settings(derandomize=True, max_examples=10, deadline=None)

spans = st.fixed_dictionaries(
    {
        "fibre_type": st.sampled_from(("OM1", "OM3", "OM4", "OS1", "OS2")),
        "environment": st.sampled_from(("", "inside", "indoor-outdoor", "outside")),
        "length_m": st.one_of(st.just(float("nan")), st.integers(0, 20_000).map(float)),
        "connections": st.one_of(st.just(float("nan")), st.integers(0, 12).map(float)),
        "splices": st.one_of(st.just(float("nan")), st.integers(0, 20).map(float)),
    }
)


def rows_of(link: dict[str, Any], rule: str = "connection") -> pd.DataFrame:
    need = pd.DataFrame(
        [
            {"link_id": "L1", "wavelength_nm": nm, "reference_method": m, "cord_grade": cords}
            for nm in (850, 1300, 1310, 1550, 1490)
            for m in (0, 1, 2, 3)
            for cords in ("", "reference", "standard")
        ]
    )
    job = replace(SETTINGS, limits=NAMES, deduction_rule=rule)
    return limits.for_links(graded.links(link), need, limits.load(), job)


@FEW
@given(spans, st.sampled_from(("connection", "reference-mating")))
def test_a_limit_is_the_sum_of_its_terms_or_says_why_not(link: dict[str, Any], rule: str) -> None:
    table = rows_of(link, rule)
    assert len(table) == 5 * 4 * 3 * len(NAMES)
    assert (table["limit_db"].isna() == (table["why_not"] != "")).all()
    for limit, terms in zip(table["limit_db"], table["terms"], strict=True):
        total = sum(term["db"] for term in json.loads(terms))
        assert (np.isnan(limit) and total == 0) or abs(limit - total) < 6e-4


@FEW
@given(spans, st.integers(1, 3000), st.integers(1, 5))
def test_more_of_anything_never_lowers_a_limit_and_more_cords_never_raise_it(
    link: dict[str, Any], metres: int, splices: int
) -> None:
    link = link | {"splices": np.nan_to_num(link["splices"])}
    here = rows_of(link)["limit_db"].to_numpy()
    longer = rows_of(link | {"length_m": link["length_m"] + metres})["limit_db"].to_numpy()
    spliced = rows_of(link | {"splices": link["splices"] + splices})["limit_db"].to_numpy()
    known = ~np.isnan(here)
    assert (longer[known] > here[known]).all()
    assert (spliced[known] > here[known]).all()

    table = rows_of(link).pivot_table(
        index=["wavelength_nm", "cord_grade", "limit_name"], columns="reference_method",
        values="limit_db",
    )  # fmt: skip
    for fewer, more in ((1, 2), (2, 3)):
        if {fewer, more} <= set(table.columns):
            assert not (table[more] > table[fewer]).any()
