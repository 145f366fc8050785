"""Planned tests, their states, the counts and the retest list on a plan small enough to count."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import balance, completion, ends, planned, retests, tables
from rules.settings import Settings

JOB = Settings(directions="a-b")


def links(**columns: list[object]) -> pd.DataFrame:
    base: dict[str, list[object]] = {
        "link_id": ["L1", "L2", "L3"],
        "kind": ["link"] * 3,
        "building": ["B1"] * 3,
        "floor": ["1", "1", "2"],
        "cable": ["C1", "C1", "C2"],
        "a_end": ["PA:1", "PA:2", "PA:10"],
        "b_end": ["PB:1", "PB:2", "PC:10"],
        "fibre_type": ["OM3", "OM3", "OS2"],
        "directions": ["both", "", ""],
        "position": [1, 2, 3],
    }
    return tables.conform(pd.DataFrame(base | columns), tables.LINKS)


def graded(*rows: tuple[str, int, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["link_id", "wavelength_nm", "direction", "grade"])
    frame["reading_ids"] = [json.dumps([f"r{i}"]) for i in range(len(frame))]
    return tables.conform(
        frame.assign(kind="link", loss_db=1.0, limit_db=2.0, margin_db=1.0, limit_name="x"),
        tables.GRADES,
    )


def states(
    grades: pd.DataFrame,
    *,
    pairs: pd.DataFrame | None = None,
    questions: pd.DataFrame | None = None,
    acts: pd.DataFrame | None = None,
    job: Settings = JOB,
) -> pd.DataFrame:
    return completion.test_states(
        planned.expand(links(), job),
        grades,
        tables.empty(tables.PAIRS) if pairs is None else pairs,
        tables.empty(tables.QUESTIONS) if questions is None else questions,
        tables.empty(tables.ACTS) if acts is None else acts,
        job,
    )


def test_a_repaired_test_is_missing_again_although_its_reading_is_kept() -> None:
    kept = tables.conform(
        pd.DataFrame(
            [{"reading_id": "r0", "link_id": "L2", "kind": "link", "wavelength_nm": 850,
              "direction": "a-b", "status": "paired"}]
        ),
        tables.PAIRS,
    )  # fmt: skip
    table = states(graded(("L2", 850, "a-b", "superseded")), pairs=kept)
    row = table.loc[(table["link_id"] == "L2") & (table["wavelength_nm"] == 850)].iloc[0]
    assert (row["state"], row["why"]) == ("missing", "repaired or replaced: measure again")
    unread = states(graded(), pairs=kept)
    assert (unread["state"] == "doubtful").sum() == 1


def state_of(table: pd.DataFrame, link: str, wavelength: int, direction: str = "a-b") -> str:
    row = table[
        (table.link_id == link)
        & (table.wavelength_nm == wavelength)
        & (table.direction == direction)
    ]
    assert len(row) == 1
    return str(row["state"].iloc[0])


def test_both_windows_and_directions_are_planned() -> None:
    # multimode 850 and 1300 nm, single-mode 1310 and 1550 nm: ANSI/TIA-568.3 (from memory)
    table = planned.expand(links(), JOB)
    assert list(table.groupby("link_id").size()) == [4, 2, 2]
    assert set(table.loc[table.link_id == "L3", "wavelength_nm"]) == {1310, 1550}


def test_the_second_window_takes_its_name_from_the_fibre() -> None:
    table = planned.expand(links(wavelengths=["850 1310", "1300", "1300 1550"]), JOB)
    assert set(table.loc[table.link_id == "L1", "wavelength_nm"]) == {850, 1300}
    assert set(table.loc[table.link_id == "L3", "wavelength_nm"]) == {1310, 1550}


def test_continuity_is_planned_without_wavelength_or_direction() -> None:
    table = planned.expand(links(kind=["continuity", "link", "polarity"]), JOB)
    odd = table[table.kind != "link"]
    assert list(odd["wavelength_nm"]) == [0, 0]
    assert list(odd["direction"]) == ["", ""]


def test_the_worst_verdict_over_several_limits_decides() -> None:
    table = states(graded(("L1", 850, "a-b", "pass"), ("L1", 850, "a-b", "fail")))
    assert state_of(table, "L1", 850) == "failed"
    assert state_of(table, "L1", 850, "b-a") == "missing"


def test_no_limit_is_no_pass_and_hides_no_verdict() -> None:
    only = states(graded(("L2", 850, "a-b", "no-limit")))
    assert state_of(only, "L2", 850) == "no-limit"
    beside = states(graded(("L2", 850, "a-b", "no-limit"), ("L2", 850, "a-b", "fail")))
    assert state_of(beside, "L2", 850) == "failed"


def test_a_mean_row_decides_for_both_directions() -> None:
    table = states(graded(("L1", 850, "mean", "pass")))
    assert state_of(table, "L1", 850) == "accepted"
    assert state_of(table, "L1", 850, "b-a") == "accepted"


@pytest.mark.parametrize(
    ("accepted", "expected"),
    [(("pass",), "failed"), (("pass", "conditional-pass"), "accepted")],
)
def test_which_grades_count_is_a_setting(accepted: tuple[str, ...], expected: str) -> None:
    job = Settings(directions="a-b", accepted_grades=accepted)
    table = states(graded(("L2", 850, "a-b", "conditional-pass")), job=job)
    assert state_of(table, "L2", 850) == expected


def test_a_reading_without_grade_and_a_proposed_one_wait_for_a_decision() -> None:
    pairs = tables.conform(
        pd.DataFrame(
            {"reading_id": ["r"], "link_id": ["L2"], "kind": ["link"], "wavelength_nm": [850],
             "direction": ["a-b"], "status": ["paired"]}
        ),
        tables.PAIRS,
    )  # fmt: skip
    questions = tables.conform(
        pd.DataFrame(
            {"question_id": ["q"], "state": ["open"],
             "options": [json.dumps([{"action": "place", "link_ids": ["L3"]}])]}
        ),
        tables.QUESTIONS,
    )  # fmt: skip
    table = states(graded(), pairs=pairs, questions=questions)
    assert state_of(table, "L2", 850) == "doubtful"
    assert state_of(table, "L2", 1300) == "missing"
    assert state_of(table, "L3", 1310) == "doubtful"


def act(kind: str, subject: str, argument: str = "") -> pd.DataFrame:
    return tables.conform(
        pd.DataFrame({"kind": [kind], "subject": [subject], "argument": [argument], "why": ["w"]}),
        tables.ACTS,
    )


def test_a_waiver_closes_what_is_not_accepted_and_a_block_what_is_missing() -> None:
    failing = graded(("L2", 850, "a-b", "fail"))
    waived = states(failing, acts=act("waiver", "L2"))
    assert state_of(waived, "L2", 850) == "waived"
    blocked = states(failing, acts=act("note", "L2", "blocked"))
    assert state_of(blocked, "L2", 850) == "failed"
    assert state_of(blocked, "L2", 1300) == "blocked"
    assert state_of(states(failing, acts=act("note", "L2", "skipped")), "L2", 1300) == "missing"


def test_percent_is_a_hundred_only_when_nothing_is_open() -> None:
    table = pd.DataFrame({"state": ["accepted"] * 999 + ["missing"]})
    table = table.assign(link_id=[f"L{i}" for i in range(1000)], kind="link", wavelength_nm=850,
                         direction="a-b", reading_id="r")  # fmt: skip
    plan = tables.conform(
        pd.DataFrame({"link_id": table["link_id"], "cable": "C", "a_end": "P:1", "b_end": "Q:1"}),
        tables.LINKS,
    )
    counts = completion.count(tables.conform(table, tables.TEST_STATES), plan)
    job = counts[counts.scope == "job"].iloc[0]
    assert (job["percent"], job["links_ready"], job["links_planned"]) == (99, 999, 1000)


def test_a_panel_counts_a_link_at_both_of_its_ends() -> None:
    counts = completion.count(states(graded()), links())
    panels = counts[counts.scope == "panel"].set_index("name")["planned"]
    assert panels.to_dict() == {"PA": 8, "PB": 6, "PC": 2}


def test_retests_are_walked_in_port_order_from_the_end_that_holds_the_source() -> None:
    table = retests.make(
        states(graded(("L2", 850, "a-b", "fail"))), links(), tables.empty(tables.ANSWERS)
    )
    walked = list(zip(table["panel"], table["port"], table["wavelength_nm"], strict=True))
    assert walked == [
        ("PA", "1", 850), ("PA", "1", 1300), ("PA", "2", 850), ("PA", "2", 1300),
        ("PB", "1", 850), ("PB", "1", 1300), ("PA", "10", 1310), ("PA", "10", 1550),
    ]  # fmt: skip
    assert table["why"].iloc[2] == "fail 1.0 dB, limit 2.0"
    assert table["what"].iloc[4] == "850 nm, source at B, meter at A"


def test_each_step_is_the_place_among_the_rows_of_its_link() -> None:
    table = retests.make(states(graded()), links(), tables.empty(tables.ANSWERS))
    steps = table.assign(step=retests.steps(table)).sort_values(["position", "step"])
    assert [list(own) for _, own in steps.groupby("link_id")["step"]] == [
        list(range(count)) for count in table.groupby("link_id").size()
    ]
    for link, own in steps.groupby("link_id"):
        alone = retests.make(
            states(graded()).loc[lambda all_, link=link: all_["link_id"] == link],
            links(), tables.empty(tables.ANSWERS),
        )  # fmt: skip
        pd.testing.assert_frame_equal(
            own.drop(columns="step").reset_index(drop=True), alone.reset_index(drop=True)
        )


def test_what_waits_for_a_decision_is_not_retested_but_what_was_decided_is() -> None:
    accepted = graded(("L2", 850, "a-b", "pass"), ("L2", 1300, "a-b", "pass"))
    answers = tables.conform(
        pd.DataFrame({"action": ["retest"], "link_ids": [json.dumps(["L2"])]}), tables.ANSWERS
    )
    none = retests.make(states(accepted), links(), tables.empty(tables.ANSWERS))
    assert "L2" not in set(none["link_id"])
    again = retests.make(states(accepted), links(), answers)
    assert list(again.loc[again.link_id == "L2", "why"]) == ["decided: measure again"] * 2


@settings(max_examples=100)
@given(st.lists(st.integers(0, 10**8), min_size=2, max_size=20))
def test_ports_are_walked_as_people_count(numbers: list[int]) -> None:
    labels = pd.Series([f"Panel {number}" for number in numbers], dtype="str")
    walked = labels[ends.walk_key(labels).sort_values(kind="stable").index]
    assert [int(label.split()[1]) for label in walked] == sorted(numbers)


HEAP = st.sampled_from(
    ["paired", "question", "outside-plan", "left-out", "duplicate", "reference", "refused"]
)


@settings(max_examples=100)
@given(st.lists(st.tuples(st.sampled_from(["d1", "d2"]), HEAP), min_size=1, max_size=40))
def test_the_balance_always_closes(rows: list[tuple[str, str]]) -> None:
    frame = pd.DataFrame(rows, columns=["dump_sha256", "heap"])
    frame["reading_id"] = [f"r{i}" for i in range(len(frame))]
    frame["state"] = frame["heap"].map({"refused": "unreadable"}).fillna("ok")
    frame["quantity"] = frame["heap"].map({"reference": "reference"}).fillna("attenuation")
    working = tables.conform(frame, tables.STORED)
    working["duplicate_of"] = frame["heap"].map({"duplicate": "r0"}).fillna("")
    pairs = tables.conform(
        frame[~frame["heap"].isin(["reference", "refused"])].rename(columns={"heap": "status"}),
        tables.PAIRS,
    )
    table = balance.balance(working, pairs, pd.Series([], dtype="str"))
    heaps = ["paired", "question", "outside_plan", "left_out", "duplicate", "reference", "refused"]
    assert (table[heaps].sum(axis=1) == table["read"]).all()
    assert table["read"].sum() == len(rows)
    for heap in heaps:
        wanted = (frame["heap"] == heap.replace("_", "-")).sum()
        assert table[heap].sum() == wanted
