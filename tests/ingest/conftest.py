from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import intake, planload
from ingest.job import Job
from tests.ingest import sample


@pytest.fixture
def job(tmp_path: Path) -> Job:
    """A new job without a plan, on a clock of its own."""
    return sample.new_job(tmp_path / "job")


@pytest.fixture(scope="session")
def _worked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with a plan and two dumps, made once."""
    folder = tmp_path_factory.mktemp("worked")
    job = sample.new_job(folder / "job")
    planload.load(job, sample.write_plan(folder))
    for name, data in (
        ("monday.csv", sample.dump(sample.labels(6))),
        ("tuesday.csv", sample.dump([*sample.labels(3, 7), "9Z.99"], 0.6, day=3)),
    ):
        (folder / name).write_bytes(data)
    intake.take(job, [folder / "monday.csv", folder / "tuesday.csv"], by="crew")
    return job.folder


@pytest.fixture
def worked(_worked: Path, tmp_path: Path) -> Job:
    """A copy of the job with a plan and two dumps, current and sound."""
    shutil.copytree(_worked, tmp_path / "job")
    return replace(Job.open(tmp_path / "job"), clock=sample.Clock("2026-03-07T08:00:00"))
