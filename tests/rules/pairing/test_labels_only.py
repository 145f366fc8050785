import numpy as np
import pandas as pd

from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.settings import Settings


def plan_of(rows):
    return Plan(tables.conform(pd.DataFrame(rows), tables.LINKS))


def working_of(rows):
    frame = pd.DataFrame(rows)
    frame["reading_id"] = [f"r{n:04d}" for n in range(len(frame))]
    for name, value in {
        "dump_sha256": "d", "quantity": "attenuation", "wavelength_nm": 1310, "run_id": "R1",
    }.items():  # fmt: skip
        frame[name] = frame[name].fillna(value) if name in frame else value
    if "record" not in frame:
        frame["record"] = range(1, len(frame) + 1)
    defaults = {"run_id": "R1", "duplicate_of": "", "utc_s": np.nan}
    extra = {name: frame.get(name, default) for name, default in defaults.items()}
    out = tables.conform(frame, tables.STORED).assign(**extra)
    for name in ("run_id", "duplicate_of"):
        out[name] = out[name].fillna("").astype("str")
    return out.assign(order=out["record"])


def run(plan, working, decisions=None, settings=None):
    return pairing.pair(
        plan, working, tables.empty(tables.RUNS), decisions or Decisions(),
        pairing.Parameters(), settings or Settings(),
    )  # fmt: skip


def by_label(result, working):
    merged = result.pairs.merge(working[["reading_id", "label", "fibre_position"]], on="reading_id")
    return {
        (row.label, row.fibre_position): (row.status, row.link_id, row.how)
        for row in merged.itertuples()
    }


LINKS = [
    {"link_id": "TR1-A-01", "kind": "link", "fibre_type": "OS2", "a_end": "A:01", "b_end": "Z:01"},
    {"link_id": "TR1-A-02", "kind": "link", "fibre_type": "OS2", "a_end": "A:02", "b_end": "Z:02"},
    {"link_id": "TR1-A-11", "kind": "link", "fibre_type": "OM3", "a_end": "A:11", "b_end": "Z:11"},
]


def test_exact_and_normalised_labels_pair_and_all_else_is_asked():
    working = working_of(
        [
            {"label": "TR1-A-01"}, {"label": "tr1 a 2"}, {"label": "Z:11", "run_id": "R2"},
            {"label": "REF 1"}, {"label": "TR1-A-01R", "run_id": "R3"},
            {"label": "PATCH", "run_id": "R4"}, {"label": "", "run_id": "R5"},
        ]
    )  # fmt: skip
    result = run(plan_of(LINKS), working)
    found = by_label(result, working)
    assert found["TR1-A-01", 0] == ("paired", "TR1-A-01", "exact")
    assert found["tr1 a 2", 0] == ("paired", "TR1-A-02", "normalised")
    assert found["Z:11", 0] == ("paired", "TR1-A-11", "exact")
    assert found["REF 1", 0][0] == "left-out"
    assert found["TR1-A-01R", 0] == ("paired", "TR1-A-01", "normalised")
    assert found["PATCH", 0][0] == "question"
    assert set(result.questions["code"]) == {"outside-the-plan", "label-missing"}


def test_every_reading_but_references_gets_one_row():
    working = working_of(
        [
            {"label": "TR1-A-01"},
            {"label": "TR1-A-01", "quantity": "reference"},
            {"label": "TR1-A-01", "duplicate_of": "r0000"},
        ]
    )
    pairs = run(plan_of(LINKS), working).pairs
    assert pairs["reading_id"].to_list() == ["r0000", "r0002"]
    assert pairs["status"].to_list() == ["paired", "duplicate"]


def test_1310_on_multimode_is_1300_and_noted_and_a_foreign_window_is_asked():
    working = working_of(
        [{"label": "TR1-A-11"}, {"label": "TR1-A-11", "wavelength_nm": 1550, "run_id": "R2"}]
    )
    result = run(plan_of(LINKS), working)
    assert result.pairs["wavelength_nm"].to_list()[0] == 1300
    assert result.pairs["status"].to_list() == ["paired", "question"]
    assert result.findings["code"].to_list() == ["wavelength-1310-on-multimode"]


def test_fibres_of_a_pair_go_to_their_positions():
    links = [
        {"link_id": f"C-{n}", "fibre_type": "OM4", "cable": "C", "pair": "1",
         "pair_position": str(n), "a_end": f"P:{n}"}
        for n in (1, 2)
    ]  # fmt: skip
    working = working_of(
        [{"label": "C-1", "record": 1, "fibre_position": n, "wavelength_nm": 850} for n in (1, 2)]
    )
    assert run(plan_of(links), working).pairs["link_id"].to_list() == ["C-1", "C-2"]


def test_answers_bind_and_the_newest_holds():
    working = working_of([{"label": "XX"}, {"label": "TR1-A-01"}, {"label": "YY"}])
    answers = pd.DataFrame(
        [
            {"action": "place", "reading_ids": '["r0000"]', "link_ids": '["TR1-A-11"]'},
            {"action": "place", "reading_ids": '["r0000"]', "link_ids": '["TR1-A-02"]'},
            {"action": "outside-plan", "reading_ids": '["r0001"]'},
            {"action": "place", "reading_ids": '["r0002"]', "link_ids": '["gone"]'},
            {"action": "direction", "reading_ids": '["r0000"]', "argument": "b-a"},
        ]
    )
    decisions = Decisions(answers=tables.conform(answers, tables.ANSWERS))
    result = run(plan_of(LINKS), working, decisions)
    pairs = result.pairs.set_index("reading_id")
    assert pairs.loc["r0000", ["link_id", "how", "direction"]].to_list() == [
        "TR1-A-02", "answered", "b-a",
    ]  # fmt: skip
    assert pairs.loc["r0001", "status"] == "outside-plan"
    assert result.questions["code"].to_list() == ["placed-link-gone"]


def test_an_unseparated_label_that_two_links_share_is_ambiguous():
    links = [{"link_id": "A-1-1", "fibre_type": "OS2"}, {"link_id": "A-11", "fibre_type": "OS2"}]
    working = working_of([{"label": "A11"}, {"label": "A-11"}])
    found = by_label(run(plan_of(links), working), working)
    assert found["A11", 0][0] == "question"
    assert found["A-11", 0] == ("paired", "A-11", "exact")
