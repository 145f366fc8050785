"""What pairing settled is taken over between commands, and nothing rests on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from desk.demo import bulk
from ingest import derive, intake, pairings, planload, store, verify, views
from ingest.job import Job
from rules import pairing, preparation
from rules.pairing import components
from tests.ingest import sample


@pytest.fixture
def grown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Job, Path, list[int]]:
    """A job of two crews that is derived, a later dump of the second, and records settled anew."""
    made = bulk.write(tmp_path / "made", 1_600, later=96, slips=0.02, crews=2)
    job = sample.new_job(tmp_path / "job")
    planload.load(job, made.plan)
    intake.take(job, made.dumps[:-1])
    of_class, anew = components.of_class, list[int]()

    def counting(*given: object, **how: object) -> components.Made:
        done = of_class(*given, **how)  # type: ignore[arg-type]
        anew.append(len(done.rows))
        return done

    monkeypatch.setattr(components, "of_class", counting)
    return job, made.dumps[-1], anew


def same(one: pairing.Memory | None, other: pairing.Memory | None) -> None:
    assert one is not None
    assert other is not None
    assert one.ground == other.ground
    pd.testing.assert_frame_equal(one.questions, other.questions)
    assert one.one is not None
    assert other.one is not None
    for name in ("runs", "panels", "heads", "marks", "proofs"):
        frames = (getattr(each.one, name) for each in (one, other))
        pd.testing.assert_frame_equal(*frames, check_dtype=False)


def test_what_is_kept_comes_back(grown: tuple[Job, Path, list[int]]) -> None:
    job, _, _ = grown
    kept = derive.kept(job)
    ready = preparation.prepare(kept.stored, kept.run_sheets, kept.decided, kept.settings)
    memory = pairing.pair(
        kept.plan, ready.working, ready.runs, kept.decided, kept.parameters, kept.settings
    ).memory
    with store.writer(job.store) as connection, store.transaction(connection):
        pairings.keep(connection, "a", pairings.pack(memory))
        same(pairings.load(connection, "a"), memory)
        assert pairings.load(connection, "b") is None
        pairings.keep(connection, "a", None)
        assert pairings.load(connection, "a") is None


def test_a_later_dump_settles_its_own_component_alone(grown: tuple[Job, Path, list[int]]) -> None:
    job, later, anew = grown
    intake.take(job, [later])
    assert 0 < anew[-1] < 500, "the other crew's records stand as they stood"
    verdict = verify.verify(job)
    assert verdict.compared, verdict
    assert verdict.sound, verdict.problems
    assert anew[-1] == 800, "a proof takes nothing over"


@pytest.mark.parametrize("how", ["damaged", "gone", "other code"])
def test_what_cannot_be_used_is_as_good_as_none(
    grown: tuple[Job, Path, list[int]], how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    job, later, anew = grown
    with store.writer(job.store) as connection:
        for first, data in connection.execute(
            "SELECT first, data FROM derived_block WHERE name = 'pairing'"
        ).fetchall():
            at = np.random.default_rng(1).integers(len(data))
            spoilt = data[:at] + bytes([data[at] ^ 64]) + data[at + 1 :]
            if how == "damaged":
                connection.execute(
                    "UPDATE derived_block SET data = ? WHERE name = 'pairing' AND first = ?",
                    (spoilt, first),
                )
        if how == "gone":
            connection.execute("DELETE FROM derived_block WHERE name = 'pairing'")
    if how == "other code":
        monkeypatch.setattr(pairings, "code", lambda: "other")
    intake.take(job, [later])
    read = {row["dump_name"]: row["read"] for row in views.balance(job)}
    second = read["bulk-002.csv"] + read[later.name]
    assert anew[-1] == (800 if how == "other code" else second / bulk.ROWS_PER_PORT)
    assert verify.verify(job).sound
