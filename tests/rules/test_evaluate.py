"""The one entry on jobs that hold little: every table is there, whatever is missing."""

from __future__ import annotations

from dataclasses import fields

import pandas as pd
import pytest

from rules import tables
from rules.evaluate import evaluate
from rules.evaluation import Decisions, Evaluation, Plan, RunSheets
from rules.limit_sets import load
from rules.pairing import Parameters
from rules.settings import Settings
from tests.rules import clean_job, injector

LINKS = tables.conform(
    pd.DataFrame(
        {
            "link_id": ["L1", "L2"],
            "kind": "link",
            "fibre_type": ["OM3", "OS2"],
            "environment": "inside",
            "length_m": 100.0,
            "connections": 2.0,
            "splices": 0.0,
            "a_end": ["PA:1", "PA:2"],
            "b_end": ["PB:1", "PB:2"],
            "position": [1, 2],
        }
    ),
    tables.LINKS,
)
READINGS = tables.conform(
    pd.DataFrame(
        {
            "reading_id": ["d-1", "d-2"],
            "dump_sha256": "d" * 64,
            "dump_name": "d.csv",
            "arrived_at": "2026-03-02T17:00:00Z",
            "line": [1, 2],
            "record": [1, 2],
            "label": ["L1", "L1"],
            "wavelength_nm": [850, 1300],
            "quantity": "attenuation",
            "loss_db": [0.5, 0.4],
            "state": "ok",
            "direction": "a-b",
            "taken_at": pd.to_datetime(["2026-03-02 10:00:00", "2026-03-02 10:00:10"]),
            "clock_state": "ok",
            "meter_serial": "M-1",
        }
    ),
    tables.STORED,
)


def evaluated(links: pd.DataFrame, readings: pd.DataFrame) -> Evaluation:
    return evaluate(
        Plan(links, 1),
        readings,
        RunSheets(),
        load(),
        Decisions(),
        Parameters(),
        Settings(limits=("tia-568.3-d",)),
        "2026-03-02T18:00:00Z",
    )


@pytest.mark.parametrize("planned", [False, True])
@pytest.mark.parametrize("read", [False, True])
def test_every_table_is_there_whatever_is_missing(planned: bool, read: bool) -> None:
    result = evaluated(
        LINKS if planned else tables.empty(tables.LINKS),
        READINGS if read else tables.empty(tables.STORED),
    )
    for name, columns in tables.PUBLIC.items():
        if name != "faults":
            assert list(getattr(result, name).columns) == list(columns), name
    assert len(result.readings) == (2 if read else 0)
    assert len(result.planned) == (4 if planned else 0)
    assert len(fields(result)) == 14
    if read:
        assert result.balance[["read", "paired", "question"]].to_numpy().tolist() == [
            [2, 2 if planned else 0, 0 if planned else 2]
        ]


def test_an_unrelated_link_changes_no_grade() -> None:
    alone = evaluated(LINKS.iloc[:1], READINGS)
    beside = evaluated(LINKS, READINGS)
    pd.testing.assert_frame_equal(
        tables.canonical(alone.grades, "grades"), tables.canonical(beside.grades, "grades")
    )
    assert set(beside.grades["grade"]) <= {"pass", "no-limit", "blocked"}


def test_the_log_of_a_light_source_is_evidence_and_no_test() -> None:
    sound = clean_job.make(3, [("OS2", 24), ("OM4", 12)])
    job, _ = injector.plant(sound, 3, "40 the source's own log falls")
    stored = tables.conform(job.stored, tables.STORED)
    made = evaluate(
        job.plan,
        stored,
        job.sheets,
        load(),
        job.decisions,
        Parameters(),
        job.settings,
        "2026-03-20T18:00:00Z",
    )
    log = set(stored.loc[stored["dump_name"] == "source.csv", "reading_id"])
    pairs = made.pairs.loc[made.pairs["reading_id"].isin(log)]
    assert len(pairs) == len(log) and set(pairs["status"]) == {"left-out"}
    assert not any(one in text for one in log for text in made.questions["reading_ids"])
    balance = made.balance.set_index("dump_name").loc["source.csv"]
    assert balance["left_out"] == balance["read"] == len(log)
    codes = made.findings.groupby("code").size()
    assert codes["source-changed"] == 1 and "instrument-missing" not in codes
