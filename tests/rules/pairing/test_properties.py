"""What must hold of every pairing, whatever the readings."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.settings import Settings


def plan_of(panels: int = 3, ports: int = 12, style: str = "TR{0}-A-{1:02d}") -> pd.DataFrame:
    rows = [
        {
            "link_id": style.format(panel, port), "kind": "link", "fibre_type": "OS2",
            "a_end": f"P{panel}:{port}", "b_end": f"M{panel}:{port}", "length_m": 80.0,
            "connections": 2.0, "wavelengths": "1310 1550", "position": panel * ports + port,
        }
        for panel in range(1, panels + 1) for port in range(1, ports + 1)
    ]  # fmt: skip
    return tables.conform(pd.DataFrame(rows), tables.LINKS)


def working_of(labels: list[tuple[str, str]], seed: int = 0) -> pd.DataFrame:
    """Make two readings of each (run, label), in order."""
    rng = np.random.default_rng(seed)
    rows = []
    for number, (run, label) in enumerate(labels, 1):
        for nm in (1310, 1550):
            rows.append(
                {
                    "reading_id": f"{run}-{number:04d}-{nm}", "dump_sha256": f"d{run}",
                    "record": number, "label": label, "wavelength_nm": nm, "run_id": run,
                    "quantity": "attenuation", "loss_db": round(0.5 + rng.normal(0, 0.1), 2),
                    "direction": "a-b", "state": "ok", "order": number,
                }
            )  # fmt: skip
    frame = pd.DataFrame(rows)
    out = tables.conform(frame, tables.STORED)
    return out.assign(
        run_id=frame["run_id"].astype("str"), order=frame["order"], utc_s=np.nan,
        duplicate_of=pd.Series("", index=out.index, dtype="str"),
    )  # fmt: skip


def run(links: pd.DataFrame, working: pd.DataFrame, decisions: Decisions | None = None,
        parameters: pairing.Parameters | None = None) -> pairing.Pairing:  # fmt: skip
    return pairing.pair(
        Plan(links), working, tables.empty(tables.RUNS), decisions or Decisions(),
        parameters or pairing.Parameters(), Settings(),
    )  # fmt: skip


def clean(links: pd.DataFrame) -> list[tuple[str, str]]:
    return [(f"R{n // 12}", label) for n, label in enumerate(links["link_id"])]


MESSY = [
    *[("R1", f"TR1-A-{p:02d}") for p in (1, 2, 3, 5, 6, 7)],
    ("R1", "TR1-A-O8"), ("R1", "SPARE"), ("R1", "TR1-A-10"),
    *[("R2", f"TR2-A-{p:02d}") for p in range(2, 14)],
    *[("R3", f"A-{p:02d}") for p in range(1, 13)],
]  # fmt: skip


def test_a_clean_plan_with_clean_labels_pairs_exactly_and_asks_nothing() -> None:
    links = plan_of()
    result = run(links, working_of(clean(links)))
    assert result.questions.empty
    assert set(result.pairs["status"]) == {"paired"}
    assert set(result.pairs["how"]) == {"exact"}
    assert (result.pairs["link_id"].to_numpy()[::2] == links["link_id"].to_numpy()).all()


@settings(derandomize=True, max_examples=15, deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_rows_and_dumps_changes_nothing(random) -> None:
    links, working = plan_of(), working_of(MESSY)
    rows = list(range(len(working)))
    random.shuffle(rows)
    order = list(range(len(links)))
    random.shuffle(order)
    straight = run(links, working)
    shuffled = working.iloc[rows].reset_index(drop=True)
    mixed = run(links.iloc[order].reset_index(drop=True), shuffled)
    measured = shuffled.loc[shuffled["quantity"] != "reference", "reading_id"]
    assert mixed.pairs["reading_id"].to_list() == measured.to_list()
    one, other = (
        pairing.pairs.sort_values("reading_id", ignore_index=True) for pairing in (straight, mixed)
    )
    pd.testing.assert_frame_equal(one, other)
    pd.testing.assert_frame_equal(straight.questions, mixed.questions)


def test_an_unrelated_run_changes_no_pair_elsewhere() -> None:
    links = plan_of(panels=5)
    # the shortened labels of R3 may be those of any panel: no other run is a stranger to them
    some = [entry for entry in MESSY if entry[0] != "R3"]
    alone = run(links, working_of(some))
    stranger = working_of([("R9", f"TR5-A-{p:02d}") for p in range(1, 13)])
    beside = run(links, pd.concat([working_of(some), stranger], ignore_index=True))
    kept = beside.pairs[beside.pairs["reading_id"].isin(alone.pairs["reading_id"])]
    pd.testing.assert_frame_equal(alone.pairs, kept.reset_index(drop=True), check_categorical=False)


def test_relabelling_plan_and_readings_alike_relabels_the_result() -> None:
    links, working = plan_of(), working_of(MESSY)
    first = run(links, working)
    swap = str.maketrans({"T": "K", "R": "W", "A": "E"})
    other = links.assign(link_id=links["link_id"].str.translate(swap))
    again = run(other, working.assign(label=working["label"].str.translate(swap)))
    same = first.pairs["link_id"].str.translate(swap)
    assert again.pairs["link_id"].to_list() == same.to_list()
    assert again.pairs["status"].to_list() == first.pairs["status"].to_list()


def test_a_shifted_run_is_one_question_and_its_first_choice_shifts_it_back() -> None:
    links = plan_of()
    labels = [("R1", f"TR1-A-{p:02d}") for p in range(1, 13)]
    labels += [("R2", f"TR2-A-{p:02d}") for p in [*range(1, 6), *range(7, 14)]]
    result = run(links, working_of(labels))
    assert len(result.questions) == 1
    question = result.questions.iloc[0]
    chosen = json.loads(question["options"])[0]
    placed = dict(zip(json.loads(question["reading_ids"]), chosen["link_ids"], strict=True))
    paired = result.pairs[result.pairs["status"] == "paired"]
    placed |= dict(zip(paired["reading_id"], paired["link_id"], strict=True))
    last = [placed[r] for r in sorted(placed) if r.startswith("R2") and r.endswith("1310")]
    assert last == [f"TR2-A-{p:02d}" for p in range(1, 13)]


def test_no_pair_contradicts_an_answer() -> None:
    links, working = plan_of(), working_of(MESSY)
    ids = [f"R2-{n:04d}-{nm}" for n in range(10, 22) for nm in (1310, 1550)]
    truth = [f"TR2-A-{p:02d}" for p in range(1, 13) for _ in (0, 1)]
    answers = pd.DataFrame(
        [
            {"answer_id": "a1", "action": "place", "reading_ids": json.dumps(ids),
             "link_ids": json.dumps(truth), "who": "A"},
            {"answer_id": "a2", "action": "alias", "argument": '["A", "TR3-A"]', "who": "A"},
        ]
    )  # fmt: skip
    result = run(links, working, Decisions(answers=tables.conform(answers, tables.ANSWERS)))
    pairs = result.pairs.set_index("reading_id")
    assert pairs.loc[ids, "link_id"].to_list() == truth
    assert set(pairs.loc[ids, "how"]) == {"answered"}
    third = pairs[pairs.index.str.startswith("R3")]
    assert set(third["status"]) == {"paired"}
    assert (third["link_id"].str.slice(0, 3) == "TR3").all()


def test_a_note_that_a_port_was_skipped_closes_its_gap() -> None:
    links = plan_of(panels=1)
    working = working_of([("R1", f"TR1-A-{p:02d}") for p in range(1, 13) if p != 7])
    before = run(links, working)
    acts = pd.DataFrame([{"kind": "note", "subject": "TR1-A-07", "argument": "skipped"}])
    after = run(links, working, Decisions(acts=tables.conform(acts, tables.ACTS)))
    held = [(r.pairs["status"] == "question").sum() for r in (before, after)]
    assert held[0] > held[1] == 0


@pytest.mark.parametrize("kind", ["order", "shift", "one_to_one", "physics"])
def test_each_kind_of_evidence_can_be_switched_off(kind: str) -> None:
    links = plan_of()
    off = pairing.Parameters(**{kind: False})
    result = run(links, working_of(clean(links)), parameters=off)
    paired = result.pairs[result.pairs["status"] == "paired"]
    assert (paired["how"] == "exact").all()
