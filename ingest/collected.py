"""The folder form in which a company collects its jobs: one folder per job, Parquet inside.

| in `COLLECTED/JOB/` | what | written by |
|---|---|---|
| `TABLE.parquet` | the tables of TABLES, canonical, columns a contract | `export all`, `evaluate` |
| `inputs/` | what `evaluate` takes (`ingest.inputs`) | `export inputs`, `evaluate` |

`completion` is written last and taken away first: a folder without it is not finished, and nobody
counts it. The `data` folder of a handover has the same tables but JOB and INSTRUMENTS.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from ingest import durable
from ingest.errors import plainly
from ingest.kept import Kept
from rules import tables
from rules.checks import register
from rules.checks.thresholds import THRESHOLDS
from rules.evaluation import Evaluation
from rules.settings import Settings
from rules.version import __version__

JOB: tables.Columns = {
    "job_id": "text", "name": "text", "customer": "text", "site": "text", "as_of": "text",
    "plan_revision": "int", "version": "text",
}  # fmt: skip
"""One row: which job the other tables are of, and as of which journal entry (ISO UTC)."""

INSTRUMENTS: tables.Columns = {
    "serial": "text", "kind": "text", "name": "text", "calibrated_on": "text", "due": "text",
}  # fmt: skip
"""The job's register; `due` (ISO day) is as given there, else reckoned from the interval."""

LAST = "completion"
DERIVED = ("readings", "runs", "pairs", "findings", "questions", "grades", LAST)
"""Public tables that an evaluation gives."""


def job_table(job_id: str, settings: Settings, as_of: str, plan_revision: int) -> pd.DataFrame:
    """Make the table JOB."""
    row = {
        "job_id": job_id, "name": settings.name, "customer": settings.customer,
        "site": settings.site, "as_of": as_of, "plan_revision": plan_revision,
        "version": __version__,
    }  # fmt: skip
    return tables.conform(pd.DataFrame([row]), JOB)


def instruments(settings: Settings) -> pd.DataFrame:
    """Make the table INSTRUMENTS out of a job's register, by serial."""
    months = dict(settings.thresholds).get(
        "calibration_months", THRESHOLDS["calibration_months"].value
    )
    rows = [
        {"serial": one.serial, "kind": one.kind, "name": one.name,
         "calibrated_on": one.calibrated_on, "due": register.due(one, months)}
        for one in settings.instruments
    ]  # fmt: skip
    return tables.conform(pd.DataFrame(rows), INSTRUMENTS).sort_values("serial", ignore_index=True)


def of_evaluation(kept: Kept, made: Evaluation) -> dict[str, pd.DataFrame]:
    """Give every collected table of an evaluation by name."""
    return {
        "job": job_table(kept.job_id, kept.settings, made.as_of, kept.plan.revision),
        "instruments": instruments(kept.settings),
        **{name: tables.canonical(getattr(made, name), name) for name in DERIVED},
    }


def parquet(frame: pd.DataFrame) -> bytes:
    """Turn a table into Parquet."""
    out = io.BytesIO()
    frame.to_parquet(out, engine="pyarrow", index=False)
    return out.getvalue()


def write(folder: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    """Write a job's tables into its folder, `completion` last."""
    with plainly(f"Writing {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{LAST}.parquet").unlink(missing_ok=True)
        for name in sorted(frames, key=lambda name: (name == LAST, name)):
            durable.write(folder / f"{name}.parquet", parquet(frames[name]))
