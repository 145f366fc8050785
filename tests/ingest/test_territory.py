"""What regions hold lies in the store, and nothing rests on it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from desk.demo import bulk
from ingest import acts, derive, intake, partwise, planload, store, territory, verify, views
from ingest.job import Job
from tests.ingest import sample


@pytest.fixture
def job(tmp_path: Path) -> Job:
    """A job of two crews, each a region, and links that neither came near."""
    made = bulk.write(tmp_path / "made", 800, crews=2)
    job = sample.new_job(tmp_path / "job")
    planload.load(job, made.plan)
    intake.take(job, made.dumps)
    return job


def kept(job: Job) -> territory.Territory:
    with store.reader(job.store) as connection:
        found = territory.load(connection)
    assert found is not None
    return found


def test_each_crew_is_a_region_and_what_is_left_another(job: Job) -> None:
    found = kept(job)
    assert [" " in name for name in found.names()] == [False, False, True]
    readings = found.held["region"].set_index("region")["readings"]
    assert sorted(readings) == sorted([0, *(row["read"] for row in views.balance(job))])
    owned = found.held["cell"]["cell"]
    assert sorted(owned) == list(range(int(found.cells.max()) + 1)), "each cell has one owner"


def test_it_comes_back_as_it_was_kept(job: Job) -> None:
    found = kept(job)
    with store.writer(job.store) as connection, store.transaction(connection):
        territory.keep(connection, found)
    again = kept(job)
    assert again.ground == found.ground
    assert (again.cells == found.cells).all()
    for name, frame in found.held.items():
        pd.testing.assert_frame_equal(again.held[name], frame)


@pytest.mark.parametrize("how", ["damaged", "gone"])
def test_without_it_everything_is_evaluated_anew(
    job: Job, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store.writer(job.store) as connection:
        connection.execute(
            "UPDATE derived_block SET data = x'0011' WHERE name = 'region'"
            if how == "damaged"
            else "DELETE FROM derived_block WHERE name = 'region'"
        )
        connection.execute("DELETE FROM meta WHERE key IN ('derived', 'inputs')")
    whole = []
    evaluate = partwise.evaluate

    def counting(*given: object) -> partwise.Outcome:
        found = evaluate(*given)  # type: ignore[arg-type]
        whole.append(found.whole)
        return found

    monkeypatch.setattr(partwise, "evaluate", counting)
    derive.refresh(job)
    assert whole == [True]
    assert verify.verify(job).sound


def test_what_did_not_change_is_not_evaluated(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    evaluate = partwise.evaluate

    def counting(*given: object) -> partwise.Outcome:
        found = evaluate(*given)  # type: ignore[arg-type]
        made.extend(name for one in found.made for name in one.regions)
        return found

    monkeypatch.setattr(partwise, "evaluate", counting)
    first = min(kept(job).of("dump", kept(job).names()[0])["dump_sha256"])
    with store.reader(job.store) as connection:
        row = connection.execute(
            "SELECT r.reading_id FROM reading r JOIN dump d ON d.id = r.dump WHERE d.sha256 = ?",
            (first,),
        ).fetchone()
    acts.answer(job, "outlier-x", "accept-value", [row[0]], [], why="seen")
    assert made == [first], "the other crew and the links without readings stand"
    assert verify.verify(job).sound
