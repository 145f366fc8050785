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
