"""Begin the invented job: its folder with settings, plan and run sheets, and no dump yet."""

from __future__ import annotations

from pathlib import Path

import tomli_w

from desk.demo.scenario import Made
from ingest import planload, sheets
from ingest.job import Job
from ingest.jobfile import FORMAT
from ingest.jobtemplate import Beginning


def new_job(folder: Path, made: Made) -> Job:
    """Make the job's folder and load the papers of `made`; raise BadInput if it is not empty."""
    Job.create(folder, Beginning(name="demo"))
    text = tomli_w.dumps({"format": FORMAT} | made.settings)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    job = Job.open(folder)
    planload.load(job, made.plan)
    sheets.load(job, made.run_sheets)
    return job
