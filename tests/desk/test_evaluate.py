"""`evaluate`: partitions equal the job's own tables, also on a cluster that loses a worker."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from desk import cluster
from ingest import acts, collected, export, inputs, intake, merge, partition, planload
from ingest.errors import BadInput, Damaged, NotNow
from ingest.job import Job
from ingest.partition import Partition
from tests.desk import dying
from tests.desk.spoken import command
from tests.ingest import sample

READINGS = 13
TABLES = ("job", "instruments", *collected.DERIVED)


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> list[Job]:
    """Copies of a job with passes, a note and answers of two laptops that contradict."""
    folder = tmp_path_factory.mktemp("jobs")
    one = replace(sample.new_job(folder / "one"), laptop="one")
    planload.load(one, sample.write_plan(folder))
    for name, data in (
        ("monday.csv", sample.dump(sample.labels(12))),
        ("tuesday.csv", sample.dump(["9Z.99"], 9.0, day=3)),
    ):
        (folder / name).write_bytes(data)
    intake.take(one, [folder / "monday.csv", folder / "tuesday.csv"])
    readings = export.table(one, "readings")
    (odd,) = readings.loc[readings["label"] == "9Z.99", "reading_id"]
    other = replace(Job.open(Path(shutil.copytree(one.folder, folder / "other"))), laptop="two")
    acts.note(one, "1A.12", "a locked door", argument="skipped")
    acts.answer(one, "asked", "outside-plan", [odd], by="one")
    acts.answer(other, "asked", "place", [odd], ["1A.12"], by="two")
    merge.merge(one, other.folder)
    others = [Path(shutil.copytree(one.folder, folder / name)) for name in ("dies", "three")]
    return [Job.open(path) for path in (one.folder, *others)]


def partitions(jobs: list[Job], to: Path) -> list[Partition]:
    made = []
    for job in jobs:
        source = to / job.folder.name / inputs.FOLDER
        readings = inputs.write(job, source)
        made.append(Partition(str(source), str(to / job.folder.name), readings))
    return made


def assert_as_kept(jobs: list[Job], to: Path) -> None:
    """The tables of each partition are those that the job itself exports."""
    for job in jobs:
        for name in TABLES:
            found = pd.read_parquet(to / job.folder.name / f"{name}.parquet")
            pd.testing.assert_frame_equal(found, export.table(job, name), obj=name)


def test_a_partition_gives_the_tables_of_the_job(jobs: list[Job], tmp_path: Path) -> None:
    done = list(cluster.here(partitions(jobs, tmp_path)))
    assert [one.why for one in done] == [""] * len(jobs)
    assert all(one.readings == READINGS for one in done)
    grades = pd.read_parquet(tmp_path / "one" / "grades.parquet")
    assert len(grades), "the sample must say something"
    questions = pd.read_parquet(tmp_path / "one" / "questions.parquet")
    assert "answers-contradict" in set(questions["code"])
    assert_as_kept(jobs, tmp_path)


def test_the_invented_job_is_the_same_from_its_inputs(job_copy: Path, tmp_path: Path) -> None:
    job = Job.open(job_copy)
    list(cluster.here(partitions([job], tmp_path)))
    assert_as_kept([job], tmp_path)


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Two workers with a process each."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as local:
        yield local.scheduler_address.replace("tcp://", cluster.SCHEME)


def test_a_worker_that_dies_in_the_middle_changes_nothing(
    jobs: list[Job], tmp_path: Path, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partition, "run", dying.run)
    done = list(cluster.on(address)(partitions(jobs, tmp_path)))
    assert (tmp_path / "died").exists(), "no worker died"
    assert sorted(one.why for one in done) == [""] * len(jobs)
    assert_as_kept(jobs, tmp_path)


def test_workers_that_do_not_see_the_folders_are_named(address: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="under the same paths"):
        list(cluster.on(address)([Partition(str(tmp_path / "gone"), str(tmp_path))]))


def test_a_cluster_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(cluster, "ANSWER_S", 0.2)
    with pytest.raises(NotNow, match="No scheduler answers"):
        cluster.on("dask://127.0.0.1:9")
    with pytest.raises(BadInput, match="dask://HOST:PORT"):
        cluster.on("tcp://127.0.0.1:8786")


def test_without_the_extra_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadInput, match=r"glasstally\[cluster\]"):
        cluster.on("dask://127.0.0.1:8786")


def test_a_damaged_partition_is_named_and_the_others_are_done(
    jobs: list[Job], tmp_path: Path
) -> None:
    work = partitions(jobs[:2], tmp_path)
    readings = tmp_path / "one" / inputs.FOLDER / "readings.parquet"
    readings.write_bytes(readings.read_bytes()[:-20])
    first, second = cluster.here(work)
    assert str(readings) in first.why and "damaged" in first.why
    assert not (tmp_path / "one" / "completion.parquet").exists()
    assert second.why == ""


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": "x"}'])
def test_inputs_that_were_not_written_so_are_damaged(tmp_path: Path, text: str) -> None:
    (tmp_path / inputs.LAST).write_text(text)
    with pytest.raises(Damaged):
        inputs.about(tmp_path)


def test_the_command_takes_jobs_and_inputs(jobs: list[Job], tmp_path: Path) -> None:
    code, text = command("evaluate", jobs[0].folder, jobs[1].folder, "--out", tmp_path, "--json")
    assert code == 0, text
    assert [one["readings"] for one in json.loads(text)] == [READINGS] * 2
    assert_as_kept(jobs[:2], tmp_path)
    again = tmp_path / "one" / "grades.parquet"
    before = again.read_bytes()
    again.unlink()
    code, text = command("evaluate", tmp_path / "one")
    assert code == 0 and "1 of 1 jobs evaluated" in text, text
    assert again.read_bytes() == before


def test_what_is_no_job_is_refused_before_anything_is_done(jobs: list[Job], tmp_path: Path) -> None:
    code, text = command("evaluate", tmp_path, jobs[0].folder, "--out", tmp_path / "out")
    assert code == 2 and "is no job" in text
    code, text = command("evaluate", jobs[0].folder)
    assert code == 2 and "--out" in text
    twin = tmp_path / "twin" / "one"
    inputs.write(jobs[1], twin / inputs.FOLDER)
    code, text = command("evaluate", jobs[0].folder, twin, "--out", tmp_path / "out")
    assert code == 2 and "one folder" in text
    assert not (tmp_path / "out").exists()
