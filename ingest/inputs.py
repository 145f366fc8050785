"""What `evaluate` takes, as a folder of Parquet: a job's partition for another machine.

| file | what |
|---|---|
| `readings.parquet` | STORED, what the parsers read |
| `plan.parquet` | LINKS of the newest plan |
| `sheets.parquet`, `sheet_checks.parquet` | RUN_SHEETS, SHEET_CHECKS |
| `answers.parquet`, `acts.parquet` | the decisions that hold (ANSWERS, ACTS) |
| `job.toml`, `limits/` | the settings and own limit sets, as in the job |
| `kept.json` | job id, as_of, plan revision, pairing parameters, what the store asks; comes last |
"""

from __future__ import annotations

import io
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from ingest import collected, contradictions, derive, durable, jobfile, kept
from ingest.errors import BadInput, Damaged, plainly
from ingest.job import Job
from ingest.kept import Kept
from rules import tables
from rules.evaluation import Decisions, Plan, RunSheets

FOLDER = "inputs"
LAST = "kept.json"
FORMAT = 1

TABLES = {
    "readings": tables.STORED, "plan": tables.LINKS, "sheets": tables.RUN_SHEETS,
    "sheet_checks": tables.SHEET_CHECKS, "answers": tables.ANSWERS, "acts": tables.ACTS,
}  # fmt: skip


def write(job: Job, folder: Path) -> int:
    """Write a job's inputs into `folder`, catching up first; give the number of readings."""
    from ingest import dumps

    dumps.read_pending(job)
    job = job.fresh()
    given = derive.kept(job)
    frames = {
        "readings": given.stored, "plan": given.plan.links, "sheets": given.run_sheets.sheets,
        "sheet_checks": given.run_sheets.checks, "answers": given.decided.answers,
        "acts": given.decided.acts,
    }  # fmt: skip
    rest = {
        "format": FORMAT, "job_id": given.job_id, "as_of": given.as_of,
        "plan_revision": given.plan.revision, "readings": len(given.stored),
        "parameters": asdict(given.parameters),
        "contrary": [asdict(one) for one in given.contrary], "undecided": given.undecided,
    }  # fmt: skip
    with plainly(f"Writing {folder}"):
        (folder / "limits").mkdir(parents=True, exist_ok=True)
        (folder / LAST).unlink(missing_ok=True)
        for path in (folder / "limits").glob("*.toml"):
            path.unlink()
        for file, text in job.texts("limits").items():
            durable.write(folder / "limits" / file, text.encode())
        durable.write(folder / "job.toml", job.text.encode())
        for name, frame in frames.items():
            durable.write(folder / f"{name}.parquet", collected.parquet(frame))
        durable.write(folder / LAST, json.dumps(rest, indent=1).encode())
    return len(given.stored)


def about(folder: Path) -> dict[str, Any]:
    """Read what an inputs folder says of itself; raise BadInput where it is none."""
    path = folder / LAST
    with plainly(f"Reading {path}"):
        try:
            text = path.read_text("utf-8")
        except FileNotFoundError:
            raise BadInput(
                f"{folder} holds no inputs of a job (no {LAST}). Give a job's folder, or write "
                f"its inputs: glasstally --job JOB export inputs --to {folder.parent}"
            ) from None
    try:
        value = json.loads(text)
        known = int(value["format"])
    except (ValueError, TypeError, KeyError):
        raise Damaged(f"{path} is not what was written; export the inputs again.") from None
    if known > FORMAT:
        raise BadInput(f"{path} has format {known}, newer than this program reads ({FORMAT}).")
    return dict(value)


def read(folder: Path) -> Kept:
    """Read an inputs folder; raise BadInput or Damaged naming the file that is wrong."""
    rest = about(folder)
    frames = {name: _table(folder / f"{name}.parquet", columns) for name, columns in TABLES.items()}
    with plainly(f"Reading {folder}"):
        text = (folder / "job.toml").read_bytes().decode("utf-8-sig", "replace")
        own = {
            path.name: path.read_bytes().decode("utf-8-sig", "replace")
            for path in sorted((folder / "limits").glob("*.toml"))
        }
    return Kept(
        Plan(frames["plan"], int(rest["plan_revision"])), frames["readings"],
        RunSheets(frames["sheets"], frames["sheet_checks"]), kept.sets_from(own),
        Decisions(frames["answers"], frames["acts"]), kept.parameters_from(rest["parameters"]),
        jobfile.read(text).settings(), str(rest["as_of"]),
        contradictions.from_json(rest["contrary"]), list(rest["undecided"]), str(rest["job_id"]),
    )  # fmt: skip


def _table(path: Path, columns: tables.Columns) -> pd.DataFrame:
    with plainly(f"Reading {path}"):
        data = path.read_bytes()
    try:
        frame = pd.read_parquet(io.BytesIO(data), engine="pyarrow")
    except Exception as error:
        raise Damaged(f"{path} is damaged ({error}); export the inputs again.") from error
    return tables.conform(frame, columns)
