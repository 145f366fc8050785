"""The invented job, made once and copied for tests that change it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import tomli_w

from desk.demo import Made, make
from ingest import intake, planload, sheets
from ingest.job import Job
from ingest.jobfile import FORMAT
from ingest.jobtemplate import Beginning


@pytest.fixture(scope="session")
def demo_made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The papers and dumps of the invented job, with the truth about them."""
    return make(tmp_path_factory.mktemp("made"))


@pytest.fixture(scope="session")
def demo_job(demo_made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the invented job with everything taken in; not to be changed."""
    folder = tmp_path_factory.mktemp("demo") / "job"
    Job.create(folder, Beginning(name="demo"))
    settings = tomli_w.dumps({"format": FORMAT} | demo_made.settings)
    (folder / "job.toml").write_text(settings, encoding="utf-8")
    job = Job.open(folder)
    planload.load(job, demo_made.plan)
    sheets.load(job, demo_made.run_sheets)
    intake.take(job, demo_made.dumps)
    return folder


@pytest.fixture
def job_copy(demo_job: Path, tmp_path: Path) -> Path:
    """A copy of the invented job that a test may change."""
    return Path(shutil.copytree(demo_job, tmp_path / "job"))
