"""The invented job from dumps to board, scored against what is true of every reading."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from desk.demo import Made
from desk.demo.begin import new_job
from ingest import derive, frames, intake, originals, store, views
from ingest.intake import Receipt
from ingest.job import Job
from ingest.schema import RETEST_ROWS
from rules.evaluation import Evaluation

HEAPS = ("paired", "question", "outside_plan", "duplicate", "reference", "left_out", "refused")


@dataclass(frozen=True)
class Taken:
    made: Made
    job: Job
    receipts: list[Receipt]
    evaluation: Evaluation


@pytest.fixture(scope="module")
def taken(demo_made: Made, tmp_path_factory: pytest.TempPathFactory) -> Taken:
    job = new_job(tmp_path_factory.mktemp("scored") / "job", demo_made)
    receipts = intake.take(job, demo_made.dumps)
    return Taken(demo_made, job, receipts, derive.evaluation(job))


def scored(taken: Taken) -> pd.DataFrame:
    """Truth beside what came out, one row per stored reading that is no reference."""
    came = taken.evaluation.readings.merge(
        taken.evaluation.pairs[["reading_id", "link_id", "direction", "status", "how"]],
        on="reading_id", suffixes=("", "_paired"),
    )  # fmt: skip
    # a dump that arrived under two names is listed under one of them; its hash is its own
    hashes = {path.name: originals.digest(path.read_bytes()) for path in taken.made.dumps}
    truth = taken.made.truth
    truth = truth.assign(dump_sha256=truth["dump_name"].map(hashes))
    key = ["dump_sha256", "line", "wavelength_nm"]
    both = truth[truth["kind"] != "reference"].merge(came, on=key, suffixes=("_true", ""))
    assert len(both) == (truth["kind"] != "reference").sum()
    return both


def test_every_reading_of_every_dump_is_in_and_the_balance_closes(taken: Taken) -> None:
    truth = taken.made.truth
    taken_dumps = {r.sha256: r for r in taken.receipts}.values()
    for receipt in taken_dumps:
        assert receipt.outcome in ("taken", "again")
        heaps = receipt.balance
        assert heaps["read"] == sum(heaps[name] for name in HEAPS)
    assert sum(r.balance["read"] for r in taken_dumps) == len(truth)


def test_the_copy_of_a_dump_adds_nothing(taken: Taken) -> None:
    again = [r for r in taken.receipts if r.outcome == "again"]
    assert len(again) == 1
    assert len(taken.evaluation.readings) == len(taken.made.truth)


def test_losses_are_those_that_were_measured(taken: Taken) -> None:
    both = scored(taken)
    measured = both[(both["state_true"] == "ok") & both["loss_db_true"].notna()]
    graded = measured[measured["loss_db"].notna()]
    assert len(graded) == len(measured)
    # dumps print 0.01 dB; power and reference are each rounded to it
    assert (graded["loss_db"] - graded["loss_db_true"]).abs().max() <= 0.011


def test_no_reading_is_paired_with_a_wrong_link_without_asking(taken: Taken) -> None:
    both = scored(taken)
    silent = both[both["status"] == "paired"]
    wrong = silent[silent["link_id"] != silent["link_id_true"]]
    assert wrong.empty, wrong[["dump_name", "line", "label", "link_id", "link_id_true"]]


def test_most_readings_are_paired_without_asking(taken: Taken) -> None:
    both = scored(taken)
    in_plan = both[(both["link_id_true"] != "") & (both["status"] != "duplicate")]
    # every seventh reading of this job was planted to need a person
    assert (in_plan["status"] == "paired").mean() > 0.80


def test_directions_are_those_of_the_ends(taken: Taken) -> None:
    both = scored(taken)
    known = both[(both["status"] == "paired") & (both["direction_paired"] != "")]
    assert (known["direction_paired"] == known["direction_true"]).all()


def test_planted_failures_are_found(taken: Taken) -> None:
    grades = taken.evaluation.grades
    failed = set(grades.loc[grades["grade"] == "fail", "link_id"])
    planted = {
        link
        for fault in taken.made.faults
        if fault.code in ("dirty", "bend") and fault.sheet not in ("S05",)
        for link in fault.links
    }
    assert planted <= failed


def test_missing_ports_are_on_the_retest_list(taken: Taken) -> None:
    listed = set(taken.evaluation.retests["link_id"])
    (fault,) = [f for f in taken.made.faults if f.code == "missing-ports"]
    assert set(fault.links) <= listed


def test_dumps_in_another_order_give_the_same_tables(taken: Taken, tmp_path: Path) -> None:
    from ingest import export

    other = new_job(tmp_path / "other", taken.made)
    intake.take(other, list(reversed(taken.made.dumps))[:-1])
    intake.take(other, taken.made.dumps[:1])
    for table in ("pairs", "grades", "completion"):
        left, right = export.table(taken.job, table), export.table(other, table)
        pd.testing.assert_frame_equal(left, right)


def test_the_board_counts_what_the_evaluation_says(taken: Taken) -> None:
    board: dict[str, Any] = views.status(taken.job)
    states = taken.evaluation.test_states["state"].value_counts()
    (whole,) = [row for row in board["completion"] if row["scope"] == "job"]
    for name in ("accepted", "failed", "doubtful"):
        assert whole[name] == states.get(name, 0)
    assert json.dumps(board)


def test_the_list_to_measure_keeps_its_order_whichever_rows_were_written_last(
    taken: Taken,
) -> None:
    walked = taken.evaluation.retests
    assert walked["link_id"].duplicated().any() and not walked["position"].is_monotonic_increasing
    listed = walked.sort_values("position", kind="stable").to_dict("records")
    assert views.retests(taken.job) == listed
    with store.writer(taken.job.store) as connection, store.transaction(connection):
        sql = "SELECT * FROM derived_retests ORDER BY rowid"
        rows = frames.select(connection, sql, (), RETEST_ROWS)
        again = rows.loc[rows["position"] % 3 > 0].sample(frac=1, random_state=1)
        frames.delete(connection, "derived_retests", "link_id", again["link_id"])
        assert connection.execute("SELECT count(*) FROM derived_retests").fetchone()[0] > 0
        frames.insert(connection, "derived_retests", again, RETEST_ROWS)
    assert views.retests(taken.job) == listed
