"""Two questions that only the crew can answer: where they stopped, and what was taken first."""

from __future__ import annotations

import json

from rules import pairing
from rules.codes.questions import CREW_REMEMBERS
from rules.evaluation import Decisions, Plan
from rules.pairing import engine
from rules.settings import Settings
from tests.rules.pairing.test_properties import plan_of, run, working_of


def ports(numbers: list[int], panel: int = 1) -> list[tuple[str, str]]:
    return [("R1", f"TR{panel}-A-{port:02d}") for port in numbers]


def only_question(result: engine.Pairing, code: str) -> dict:
    (row,) = result.questions[result.questions["code"] == code].to_dict("records")
    return row | {name: json.loads(row[name]) for name in ("options", "reading_ids", "evidence")}


def test_a_panel_left_in_the_middle_asks_whether_they_stopped_or_the_numbering_slipped() -> None:
    question = only_question(
        run(plan_of(panels=2), working_of(ports(list(range(1, 9))))), "stopped-or-shifted"
    )
    assert "stopped at TR1-A-08, or shifted?" in question["message"]
    assert question["readings"] == 16, "one question for the whole stretch"
    first = question["options"][0]
    assert first["link_ids"] == [f"TR1-A-{p:02d}" for p in range(1, 9) for _ in (0, 1)]
    assert "stopped-or-shifted" in CREW_REMEMBERS


def test_where_they_stopped_is_the_last_port_in_the_order_of_work() -> None:
    question = only_question(
        run(plan_of(panels=1), working_of(ports(list(range(12, 4, -1))))), "stopped-or-shifted"
    )
    assert "stopped at TR1-A-05, or shifted?" in question["message"]


def test_a_whole_panel_asks_nothing_about_stopping() -> None:
    asked = run(plan_of(panels=1), working_of(ports(list(range(1, 13))))).questions
    assert "stopped-or-shifted" not in set(asked["code"])


def test_neighbours_in_reverse_are_one_question_each_with_both_orders_to_choose() -> None:
    order = [1, 2, 3, 4, 5, 6, 8, 7, 9, 10, 11, 12]
    question = only_question(run(plan_of(panels=1), working_of(ports(order))), "order-reversed")
    assert len(question["reading_ids"]) == 4, "two records of two wavelengths"
    as_typed, exchanged = question["options"][:2]
    assert as_typed["link_ids"] == ["TR1-A-08"] * 2 + ["TR1-A-07"] * 2
    assert exchanged["link_ids"] == ["TR1-A-07"] * 2 + ["TR1-A-08"] * 2
    assert "exchanged" in exchanged["label"]
    assert "order-reversed" in CREW_REMEMBERS


def test_two_reversals_in_one_panel_are_two_questions() -> None:
    order = [1, 2, 3, 5, 4, 6, 7, 9, 8, 10, 11, 12]
    asked = run(plan_of(panels=1), working_of(ports(order))).questions
    assert (asked["code"] == "order-reversed").sum() == 2


def test_a_retest_of_the_port_before_is_no_reversal() -> None:
    order = [1, 2, 3, 4, 5, 5, 6, 7, 8, 9, 10, 11, 12]
    asked = run(plan_of(panels=1), working_of(ports(order))).questions
    assert "order-reversed" not in set(asked["code"])


def test_a_foreign_label_in_between_does_not_split_the_question_which_panel() -> None:
    typed = [("R1", f"A-{p:02d}") for p in range(1, 13)]
    typed.insert(6, ("R1", "SPARE"))
    question = only_question(run(plan_of(panels=3), working_of(typed)), "abbreviation")
    assert question["readings"] == 24, "twelve records of two wavelengths"


def test_the_rows_of_ports_on_either_side_of_a_skipped_one_are_asked_apart() -> None:
    typed = ports([1, 2, 3, 4, 5, 7, 8, 9, 11, 12])
    asked = run(plan_of(panels=1), working_of(typed)).questions
    rows = [
        json.loads(ids) for ids in asked.loc[asked["code"] == "skipped-or-shifted", "reading_ids"]
    ]
    numbers = [sorted({int(i.split("-")[1]) for i in ids}) for ids in rows]
    assert all(n == list(range(n[0], n[-1] + 1)) for n in numbers)
    assert not any({5, 6} <= set(n) or {8, 9} <= set(n) for n in numbers)


def test_an_odd_label_among_shortened_ones_does_not_hold_them_at_one_panel() -> None:
    """A label that fits nothing must stand wherever its neighbours may, not where it is known."""
    typed = [("R1", f"A-{p:02d}") for p in range(1, 13)]
    before = engine_weighed(typed)
    typed[5] = ("R1", "0A-O6")
    after = engine_weighed(typed)
    assert before == after == {1, 2, 3}


def engine_weighed(typed: list[tuple[str, str]]) -> set[int]:
    """Return the panels that the first shortened label may be of."""
    parameters = pairing.Parameters()
    (part,) = engine.weighed(
        Plan(plan_of(panels=3)), working_of(typed), Decisions(), parameters, Settings()
    )
    mine = slice(part.states.first[0], part.states.first[1])
    likely = part.probability[mine] > 0.05
    return {int(panel) + 1 for panel in part.grid.panel[part.states.unit[mine][likely]]}
