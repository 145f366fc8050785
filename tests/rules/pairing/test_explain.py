"""The evidence shown for a link is the one that was decided by, and says when none was weighed."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.pairing import engine, gate
from rules.settings import Settings
from tests.rules.pairing.test_properties import MESSY, clean, plan_of, run, working_of


def explained(
    links: pd.DataFrame, working: pd.DataFrame, ids: list[str], decisions: Decisions | None = None
) -> list[dict]:
    return pairing.explain(
        Plan(links), working, decisions or Decisions(), pairing.Parameters(), Settings(), ids
    )


def test_terms_add_up_to_the_log_odds_over_the_runner_up() -> None:
    links, working = plan_of(), working_of(MESSY)
    ids = working["reading_id"].to_list()
    found = explained(links, working, ids)
    done = engine.settled(
        pairing.Ground(Plan(links), pairing.Parameters(), Settings()), working, Decisions()
    )
    weighed = [entry for entry in found if entry["terms"]]
    assert len(weighed) == len(MESSY), "nothing here is a sweep"
    for record, entry in enumerate(found):
        *parts, total = entry["terms"]
        assert total["term"] == "total"
        assert total["weight"] == pytest.approx(sum(t["weight"] for t in parts), abs=0.051)
        evidence, n = done.explained.where[record]
        p, q = evidence.p_unit[n], evidence.p_second[n]
        odds = float(gate.log_odds(pd.Series([p / (p + q)]).to_numpy())[0])
        assert total["weight"] == pytest.approx(odds, abs=0.051)
        assert entry["runner_up"]["probability"] == pytest.approx(q, abs=1e-6)


def test_a_panel_taken_as_planned_says_that_nothing_was_weighed() -> None:
    links = plan_of()
    working = working_of(clean(links))
    (entry,) = explained(links, working, ["R0-0003-1310", "R0-0003-1550"])
    assert entry["basis"] == "sweep"
    assert entry["terms"] == []
    assert entry["runner_up"] is None
    assert entry["neighbours"][2] == "'TR1-A-03' → TR1-A-03 (this one)"
    assert len(entry["neighbours"]) == 5


def test_an_answer_is_named_as_what_decided() -> None:
    links, working = plan_of(), working_of(MESSY)
    answer = {
        "answer_id": "a1", "action": "place", "reading_ids": json.dumps(["R2-0010-1310"]),
        "link_ids": '["TR2-A-01"]', "who": "A",
    }  # fmt: skip
    decisions = Decisions(answers=tables.conform(pd.DataFrame([answer]), tables.ANSWERS))
    (entry,) = explained(links, working, ["R2-0010-1310"], decisions)
    assert entry["basis"] == "answer"
    assert entry["terms"] == []


def test_a_runner_up_off_by_one_is_named_with_what_the_labels_would_be_off_by() -> None:
    links = plan_of(panels=1)
    labels = [("R1", f"TR1-A-{p:02d}") for p in (1, 2, 3, 4, 5, 6)]
    working = working_of(labels)
    (entry,) = explained(links, working, ["R1-0003-1310"])
    assert entry["runner_up"]["place"] in ("TR1-A-02", "TR1-A-04")
    assert entry["runner_up"]["reading"].startswith("labels off: ")


def test_choices_name_their_links_from_the_first_port_to_the_last() -> None:
    links = plan_of(panels=1)
    labels = [("R1", f"TR1-A-{p:02d}") for p in [*range(1, 6), *range(7, 14)]]
    asked = run(links, working_of(labels)).questions
    spans = [o["label"] for q in asked["options"] for o in json.loads(q) if o.get("link_ids")]
    assert any("TR1-A-06 to TR1-A-12 (7 links)" in span for span in spans), spans
