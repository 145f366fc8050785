"""What every test shares: the invented job, and property tests that are the same on every run."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import settings

from desk.demo import Made, make
from desk.demo.begin import new_job
from ingest import intake

# a slow or busy machine is no failure, and a failure must come back the next time
settings.register_profile("glasstally", derandomize=True, deadline=None)
settings.load_profile("glasstally")


@pytest.fixture(scope="session")
def demo_made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The papers and dumps of the invented job, with the truth about them."""
    return make(tmp_path_factory.mktemp("made"))


@pytest.fixture(scope="session")
def demo_job(demo_made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the invented job with everything taken in; not to be changed."""
    job = new_job(tmp_path_factory.mktemp("demo") / "job", demo_made)
    intake.take(job, demo_made.dumps)
    return job.folder


@pytest.fixture
def job_copy(demo_job: Path, tmp_path: Path) -> Path:
    """A copy of the invented job that a test may change."""
    return Path(shutil.copytree(demo_job, tmp_path / "job"))
