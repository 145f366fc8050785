"""Measure how long a company's folder of exported jobs takes to be summarised.

python3 scripts/bench_portfolio.py                          50 000 000 readings in 500 jobs
python3 scripts/bench_portfolio.py --readings 1000000 --jobs 10
python3 scripts/bench_portfolio.py --folder DIR             keep the folder, or use one made before

One invented job is taken in, evaluated and exported as every job is; the folder is filled with
copies of its tables that differ in dumps, ids, runs, crews, instruments, days and failing results.
The floor of the same run is DuckDB reading the same columns of the readings and grouping nothing.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

READINGS, JOBS = 50_000_000, 500
BASE = 10_000
"""Readings of the job that is really evaluated; the others are made of copies of it."""
CREWS, METERS = 40, 60
FAILING = 0.02
"""Share of results that are made to fail, so that causes and crews have something to count."""


def base(folder: Path) -> dict[str, pd.DataFrame]:
    """Take in, evaluate and export one invented job; give its tables with some results failing."""
    from desk.demo import bulk
    from ingest import export, intake, planload
    from ingest.job import Job
    from ingest.jobtemplate import Beginning
    from rules.tables import canonical

    made = bulk.write(folder / "made", BASE, dumps=1)
    job = Job.create(
        folder / "job",
        Beginning("bench", limits=("tia-568.3-d",), timezone="UTC"),
        {"cords": {"grade": "reference", "reference_method": 1}},
    )
    planload.load(job, made.plan)
    intake.take(job, made.dumps)
    export.write_all(job, "parquet", folder / "base")
    tables = {path.stem: pd.read_parquet(path) for path in (folder / "base").glob("*.parquet")}
    grades = tables["grades"]
    fails = np.random.default_rng(1).random(len(grades)) < FAILING
    grades.loc[fails, "margin_db"] = -0.5
    grades.loc[fails, "grade"] = "fail"
    explained = grades.loc[fails].iloc[::2]
    found = pd.DataFrame({"link_id": explained["link_id"]}).reset_index(drop=True).assign(
        finding_id=[f"F{n}" for n in range(len(explained))], code="outlier", severity="check"
    )  # fmt: skip
    tables["findings"] = canonical(
        pd.concat([tables["findings"], found], ignore_index=True), "findings"
    )
    return tables


def fill(folder: Path, readings: int, jobs: int) -> None:
    """Write `jobs` collected jobs with `readings` readings together."""
    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        tables = base(Path(name))
    each = max(1, round(readings / jobs / BASE))
    arrow = {name: pa.Table.from_pandas(frame, preserve_index=False)
             for name, frame in tables.items()}  # fmt: skip
    for number in range(jobs):
        place = folder / f"job-{number:04d}"
        place.mkdir(parents=True)
        for name, table in arrow.items():
            rows = each if name in ("readings", "grades", "pairs", "runs", "findings") else 1
            copies = [_copy(name, table, number, copy) for copy in range(rows)]
            pq.write_table(pa.concat_tables(copies), place / f"{name}.parquet")


def _copy(name: str, table: pa.Table, job: int, copy: int) -> pa.Table:
    """Give a copy of a table whose ids, runs, crew, meter and day are its own."""
    own = f"{job:04x}{copy:04x}"

    def joined(*parts: Any) -> Any:
        texts = [pa.scalar(p, pa.large_string()) if isinstance(p, str) else p for p in parts]
        return pc.binary_join_element_wise(*texts, pa.scalar("", pa.large_string()))

    def same(text: str, column: Any) -> Any:
        return pa.array([text], pa.large_string()).take(pa.array(np.zeros(len(column), "int32")))

    day = f"2026-{1 + (job + copy) % 12:02d}-{1 + (3 * job + copy) % 28:02d}"
    meter, source = f"M-{job % METERS:03d}", f"S-{(job + 7) % METERS:03d}"
    for column, change in {
        "reading_id": lambda c: joined(own, c),
        "reading_ids": lambda c: pc.replace_substring(c, '["', f'["{own}'),
        "dump_sha256": lambda c: joined(own, c),
        "run_id": lambda c: pc.if_else(pc.equal(c, ""), c, joined(c, own)),
        "finding_id": lambda c: joined(own, c),
        "people": lambda c: same(f"crew {job % CREWS:02d}", c),
        "cords": lambda c: same(f"cord set {job % CREWS:02d}", c),
        "meter_serial": lambda c: same(meter, c),
        "source_serial": lambda c: same(source, c),
        "taken_at_utc": lambda c: joined(day, pc.utf8_slice_codeunits(c, 10)),
        "started_at": lambda c: joined(day, pc.utf8_slice_codeunits(c, 10)),
        "job_id": lambda c: same(own, c),
        "name": lambda c: same(f"job {job}", c) if name == "job" else c,
    }.items():  # fmt: skip
        if column in table.column_names:
            place = table.column_names.index(column)
            made: Any = change(table.column(column))
            table = table.set_column(place, column, made)
    return table


def figures(folder: Path) -> dict[str, float]:
    """Summarise a folder once; give seconds, CPU seconds, peak memory and the floor's seconds."""
    import duckdb
    import psutil

    from ingest import portfolio

    begun, used = time.perf_counter(), time.process_time()
    found = portfolio.summarise([folder], date.today())
    took, cpu = time.perf_counter() - begun, time.process_time() - used
    peak = psutil.Process().memory_info().rss
    assert not found.problems, found.problems
    columns = ", ".join(f"max({name})" for name in portfolio.NEEDS["readings"])
    begun = time.perf_counter()
    with closing(duckdb.connect()) as connection:
        connection.execute(f"SELECT {columns} FROM '{folder}/*/readings.parquet'").fetchall()
    return {
        "readings": found.total["readings"], "jobs": found.total["jobs"],
        "megabytes": round(found.bytes / 1e6), "seconds": round(took, 2),
        "cpu_seconds": round(cpu, 2), "held_mb": round(peak / 1e6),
        "floor_seconds": round(time.perf_counter() - begun, 2),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--readings", type=int, default=READINGS)
    parser.add_argument("--jobs", type=int, default=JOBS)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        folder = given.folder or Path(name)
        if not any(folder.glob("job-*")):
            fill(folder, given.readings, given.jobs)
        for key, value in figures(folder).items():
            print(f"{key:<16}{value:>14}")


if __name__ == "__main__":
    main()
