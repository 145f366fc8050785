"""Which reading counts, against which limit, and what is asked when that cannot be told."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rules import grades
from rules.evaluation import Decisions
from rules.settings import Settings
from tests.rules.graded import (
    SETTINGS,
    acts,
    answers,
    codes,
    findings,
    grade,
    links,
    pairs,
    runs,
    shown,
    working,
)  # fmt: skip

BOTH = links({"directions": "both"})
MEAN = replace(SETTINGS, direction_rule="mean")


def only(result: grades.Graded) -> Any:
    live = result.grades.loc[result.grades["grade"] != "superseded"]
    assert len(live) == 1, live
    return live.iloc[0]


def test_exactly_on_the_limit_passes_and_a_thousandth_more_fails() -> None:
    for loss, verdict in ((2.4, "pass"), (2.4004, "pass"), (2.401, "fail")):
        row = only(grade(working({"loss_db": loss})))
        assert (row["grade"], row["limit_db"]) == (verdict, 2.4)


@pytest.mark.parametrize(
    ("first", "second", "verdict"), [(1.0, 3.0, "fail"), (3.0, 1.0, "pass"), (1.0, 2.0, "pass")]
)
def test_the_newest_reading_counts_better_or_worse(
    first: float, second: float, verdict: str
) -> None:
    result = grade(working({"loss_db": first}, {"loss_db": second}))
    assert only(result)["grade"] == verdict
    assert only(result)["loss_db"] == second
    old = result.grades.loc[result.grades["grade"] == "superseded"]
    assert list(old["reading_ids"]) == ['["r1"]']


def test_an_older_dump_that_arrives_later_is_still_older() -> None:
    result = grade(
        working(
            {"loss_db": 1.0, "utc_s": 5000.0, "arrived_at": "2026-03-01T00:00:00Z"},
            {"loss_db": 3.0, "utc_s": 100.0, "arrived_at": "2026-03-09T00:00:00Z"},
        )
    )
    assert only(result)["loss_db"] == 1.0


def test_another_direction_or_wavelength_is_no_retest() -> None:
    plan = links({"directions": "both", "wavelengths": "850 1300"})
    result = grade(
        working(
            {"direction": "a-b"}, {"direction": "b-a"}, {"wavelength_nm": 1300, "direction": "a-b"}
        ),
        plan,
    )
    assert [row[1:3] for row in shown(result)] == [(850, "a-b"), (850, "b-a"), (1300, "a-b")]
    assert "superseded" not in set(result.grades["grade"])


def test_without_a_clock_one_meters_own_sequence_decides() -> None:
    blind = {"utc_s": np.nan, "order_basis": "slot"}
    result = grade(
        working(blind | {"order": 9, "loss_db": 1.0}, blind | {"order": 4, "loss_db": 3.0})
    )
    assert only(result)["loss_db"] == 1.0


def test_without_a_clock_the_run_sheets_dates_decide_between_meters() -> None:
    blind = {"utc_s": np.nan, "order_basis": "slot"}
    two = working(
        blind | {"loss_db": 1.0, "run_id": "R1", "meter_serial": "MA"},
        blind | {"loss_db": 3.0, "run_id": "R2", "meter_serial": "MB"},
    )
    dated = runs(
        {"run_id": "R1", "started_at": "2026-03-04T08:00:00"},
        {"run_id": "R2", "started_at": "2026-03-02T08:00:00"},
    )
    assert only(grade(two, run_table=dated))["loss_db"] == 1.0

    undated = runs({"run_id": "R1"}, {"run_id": "R2"})
    result = grade(two, run_table=undated)
    assert set(result.grades["grade"]) == {"blocked"}
    question = result.questions.iloc[0]
    assert (question["code"], question["state"]) == ("order-unknown", "open")
    assert json.loads(question["reading_ids"]) == ["r1", "r2"]

    choice = json.loads(question["options"])[0]
    answer = {
        "answer_id": "1", "question_id": question["question_id"], "action": choice["action"],
        "reading_ids": json.dumps(choice["reading_ids"]),
    }  # fmt: skip
    settled = grade(two, run_table=undated, decisions=Decisions(answers=answers(answer)))
    assert only(settled)["reading_ids"] == json.dumps(choice["reading_ids"])
    assert settled.questions.empty


def test_equal_times_on_two_meters_are_a_question() -> None:
    result = grade(
        working(
            {"utc_s": 60.0, "meter_serial": "MA"},
            {"utc_s": 60.0, "meter_serial": "MB", "run_id": "R2"},
        )
    )
    assert list(result.questions["code"]) == ["order-unknown"]
    minutes = {"clock_resolution_s": 60}
    close = [
        minutes | {"utc_s": 60.0, "meter_serial": "MA"},
        {"utc_s": 90.0, "meter_serial": "MB", "run_id": "R2"},
    ]
    assert list(grade(working(*close)).questions["code"]) == ["order-unknown"]
    close[1]["utc_s"] = 120.0
    assert only(grade(working(*close)))["reading_ids"] == '["r2"]'
    same_meter = grade(working({"utc_s": 60.0, "order": 1}, {"utc_s": 60.0, "order": 2}))
    assert only(same_meter)["reading_ids"] == '["r2"]'


def test_an_unknown_direction_replaces_nothing_and_is_asked_once_per_run() -> None:
    result = grade(
        working(
            {"direction": "a-b", "loss_db": 1.0},
            {"direction": "", "loss_db": 9.0},
            {"direction": "", "loss_db": 9.0},
        ),
        BOTH,
    )
    assert shown(result) == [
        ("L1", 850, "", "blocked"), ("L1", 850, "", "blocked"), ("L1", 850, "a-b", "pass"),
    ]  # fmt: skip
    assert list(result.questions["code"]) == ["direction-unknown"]
    assert {o["argument"] for o in json.loads(result.questions["options"][0])} == {"a-b", "b-a"}


def test_an_unknown_direction_is_the_planned_one_where_only_one_is_planned() -> None:
    assert only(grade(working({"direction": ""})))["direction"] == "a-b"


def test_a_direction_nobody_planned_is_a_note() -> None:
    result = grade(working({"direction": "b-a"}))
    assert shown(result) == [("L1", 850, "b-a", "pass")]
    assert "direction-not-planned" in codes(result)


def test_a_held_reading_is_not_graded_and_the_older_valid_one_counts() -> None:
    two = working({"loss_db": 1.0}, {"loss_db": 9.0})
    result = grade(two, blocked=("r2",))
    assert only(result)["loss_db"] == 1.0
    assert "newer-in-doubt" in codes(result)

    alone = grade(working({}), blocked=("r1",))
    assert (only(alone)["grade"], only(alone)["why"]) == (
        "blocked", "an open finding holds the reading back",
    )  # fmt: skip
    assert "newer-in-doubt" not in codes(grade(two, blocked=("r1",)))


def test_power_without_reference_and_states_without_value() -> None:
    power = {"quantity": "power", "power_dbm": -20.0, "loss_db": np.nan}
    assert only(grade(working(power)))["grade"] == "no-reference"
    assert only(grade(working(power | {"loss_db": 1.0})))["grade"] == "pass"
    dark = {"state": "no-light", "loss_db": np.nan}
    assert only(grade(working(dark)))["grade"] == "blocked"
    beside = grade(working({"loss_db": 1.0}, dark))
    assert only(beside)["grade"] == "pass"
    assert "newer-in-doubt" in codes(beside)


def test_the_strictest_of_several_limits_decides_and_all_are_shown() -> None:
    several = replace(SETTINGS, limits=("tia-568-c.3", "tia-568.3-d", "iso-iec-11801-1-2017"))
    row = only(grade(working({"loss_db": 2.42}), settings=several))
    assert (row["grade"], row["limit_name"], row["margin_db"]) == ("fail", "tia-568.3-d", -0.02)
    every = json.loads(row["limits"])
    assert [(one["limit_name"], one["grade"], one["margin_db"]) for one in every] == [
        ("tia-568.3-d", "fail", -0.02), ("iso-iec-11801-1-2017", "pass", 0.03),
        ("tia-568-c.3", "pass", 0.93),
    ]  # fmt: skip


def test_no_limit_is_no_pass_and_hides_no_verdict() -> None:
    unspecified = links({"wavelengths": "1490", "fibre_type": "OS2", "environment": "outside"})
    reading = working({"wavelength_nm": 1490})
    result = grade(reading, unspecified)
    assert only(result)["grade"] == "no-limit"
    assert "does not specify OS2 at 1490 nm" in only(result)["why"]
    assert "limit-missing" in codes(result)

    with_budget = unspecified.assign(budget_db=0.5)
    row = only(grade(reading, with_budget))
    assert (row["grade"], row["limit_name"]) == ("fail", "budget")
    assert [one["grade"] for one in json.loads(row["limits"])] == ["fail", "no-limit"]


def test_unconfirmed_limits_grade_with_one_finding_for_the_job() -> None:
    result = grade(working({}, {"direction": "b-a"}), BOTH)
    assert not result.grades["limit_confirmed"].any()
    found = findings(result).query("code == 'limit-unconfirmed'")
    assert list(found["subject"]) == ["job"]
    confirmed = grade(working({}), confirmed=("tia-568.3-d",))
    assert confirmed.grades["limit_confirmed"].all()
    assert "limit-unconfirmed" not in codes(confirmed)


def test_method_and_cords_come_from_the_run_of_each_reading() -> None:
    two = working({"run_id": "R1"}, {"run_id": "R2", "direction": "b-a"})
    table = runs({"run_id": "R1", "reference_method": 1}, {"run_id": "R2", "reference_method": 3})
    result = grade(two, BOTH, table)
    assert list(result.grades["limit_db"]) == [2.4, 1.8]

    unknown = grade(working({}), run_table=runs({"cord_grade": ""}))
    assert only(unknown)["grade"] == "no-limit"
    assert "cord-grade-unknown" in codes(unknown)
    assert "method-unknown" in codes(grade(working({}), run_table=runs({"reference_method": 0})))


def test_a_limit_below_the_uncertainty_is_a_finding() -> None:
    short = links({"length_m": 10.0, "connections": 2.0})
    result = grade(working({"loss_db": 0.0}), short, runs({"reference_method": 3}))
    assert only(result)["limit_db"] == 0.03
    assert "limit-below-uncertainty" in codes(result)


def test_the_mean_needs_both_directions() -> None:
    result = grade(
        working({"loss_db": 2.0}, {"loss_db": 2.6, "direction": "b-a"}), BOTH, settings=MEAN
    )
    row = only(result)
    assert (row["direction"], row["loss_db"], row["grade"]) == ("mean", 2.3, "pass")
    assert json.loads(row["reading_ids"]) == ["r1", "r2"]
    assert "mean-hides-fail" in codes(result)

    alone = only(grade(working({"loss_db": 2.0}), BOTH, settings=MEAN))
    assert (alone["direction"], alone["grade"]) == ("a-b", "blocked")
    assert alone["why"].startswith("the mean needs both directions")


def test_of_the_uncertainty_only_mating_and_resolution_shrink_with_the_mean() -> None:
    single = only(grade(working({})))["uncertainty_db"] / 2
    both = working({}, {"direction": "b-a"})
    mean = only(grade(both, BOTH, settings=MEAN))["uncertainty_db"] / 2
    u = Settings().uncertainty
    shrunk = (2 * u.mating_multimode_db**2 + 2 * u.resolution_db**2 / 12) / 2
    assert single**2 - mean**2 == pytest.approx(shrunk)


def test_a_repair_voids_every_older_reading_of_the_fibre() -> None:
    plan = links({"directions": "both", "wavelengths": "850 1300"})
    rows = working(
        {"utc_s": 100.0}, {"utc_s": 100.0, "direction": "b-a"},
        {"utc_s": 100.0, "wavelength_nm": 1300}, {"utc_s": 9000.0, "loss_db": 1.5},
    )  # fmt: skip
    act = {"kind": "repair", "subject": "L1", "at": "1970-01-01T01:00:00Z"}
    result = grade(rows, plan, decisions=Decisions(acts=acts(act)))
    live = result.grades.loc[result.grades["grade"] != "superseded"]
    assert list(live["reading_ids"]) == ['["r4"]']
    assert set(result.grades.loc[result.grades["why"] == "repaired since", "reading_ids"]) == {
        '["r1"]', '["r2"]', '["r3"]',
    }  # fmt: skip

    # written down after the retest: the time of the repair itself counts
    late = act | {"at": "1970-01-01T05:00:00Z", "argument": "1970-01-01T01:00:00Z"}
    again = grade(rows, plan, decisions=Decisions(acts=acts(late)))
    assert list(again.grades["grade"]) == list(result.grades["grade"])


def test_a_repair_and_a_meter_without_a_clock() -> None:
    act = {"kind": "repair", "subject": "L1", "at": "2026-03-02T12:00:00Z"}
    blind = {"utc_s": np.nan, "order_basis": "slot"}
    before = grade(
        working(blind | {"arrived_at": "2026-03-02T11:00:00Z"}), decisions=Decisions(acts=acts(act))
    )
    assert list(before.grades["grade"]) == ["superseded"]
    after = grade(
        working(blind | {"arrived_at": "2026-03-02T18:00:00Z"}), decisions=Decisions(acts=acts(act))
    )
    assert list(after.grades["grade"]) == ["pass"]
    assert "repair-undated" in codes(after)


def test_a_decision_to_test_again_voids_the_result_and_what_it_replaced() -> None:
    answer = {"answer_id": "1", "question_id": "x-1", "action": "retest", "reading_ids": '["r2"]'}
    decided = Decisions(answers=answers(answer))
    result = grade(working({}, {}), decisions=decided)
    assert list(result.grades["grade"]) == ["superseded", "superseded"]
    newer = grade(working({}, {}, {"loss_db": 1.7}), decisions=decided)
    assert only(newer)["loss_db"] == 1.7


def test_guarded_grades_reach_the_table() -> None:
    guarded = replace(SETTINGS, decision_rule="guarded")
    rows = [only(grade(working({"loss_db": y}), settings=guarded)) for y in (2.0, 2.3, 2.5, 2.8)]
    assert [row["grade"] for row in rows] == [
        "pass", "conditional-pass", "conditional-fail", "fail",
    ]  # fmt: skip
    assert [row["marginal"] for row in rows] == [False, True, True, False]
    assert rows[1]["p_conform"] > 0.5 > rows[2]["p_conform"]


def test_a_loss_beside_a_power_of_the_same_record_counts_once() -> None:
    rows = working(
        {"loss_db": 1.0, "record": 5, "order": 5},
        {"quantity": "power", "power_dbm": -21.0, "loss_db": 1.0, "record": 5, "order": 5},
    )
    result = grade(rows)
    assert shown(result) == [("L1", 850, "a-b", "pass")]
    assert result.questions.empty


def test_row_order_changes_nothing() -> None:
    rows = working(
        {"loss_db": 1.0}, {"loss_db": 3.0}, {"direction": "b-a"}, {"direction": ""},
        {"utc_s": np.nan, "meter_serial": "MB", "run_id": "R2", "direction": "b-a"},
    )  # fmt: skip
    forward = grade(rows, BOTH)
    backward = grade(rows.iloc[::-1].reset_index(drop=True), BOTH)
    pd.testing.assert_frame_equal(forward.grades, backward.grades)
    pd.testing.assert_frame_equal(forward.questions, backward.questions)


def test_nothing_read_gives_nothing() -> None:
    empty = working({}).iloc[:0]
    result = grade(empty)
    assert result.grades.empty and result.findings.empty and result.questions.empty
    assert pairs(empty).empty
