"""Measure how many dumps and readings a second the watch takes from the drop folder.

python3 scripts/bench_watch.py [DUMPS] [READINGS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

DUMPS, READINGS = 100, 10_000


def figures(dumps: int = DUMPS, readings: int = READINGS) -> dict[str, float]:
    """Put `dumps` files with `readings` readings together into the inbox; sweep until all are in.

    `taken_s` is until every byte is safe and every reading read, `seconds` until they are evaluated
    as well, as one sweep of the watch does. The files count as settled at once.
    """
    from desk.demo import bulk
    from ingest import dropfolder, planload, views
    from ingest.derive import refresh
    from ingest.dumps import read_pending
    from ingest.job import Job
    from ingest.jobtemplate import Beginning

    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        folder = Path(name)
        made = bulk.write(folder / "made", readings, dumps=dumps)
        job = Job.create(
            folder / "job", Beginning("bench", limits=("tia-568.3-d",), timezone="UTC")
        )
        planload.load(job, made.plan)
        for path in made.dumps:
            (job.inbox / path.name).write_bytes(path.read_bytes())
        clock = [0.0]
        drop = dropfolder.Drop(job, job.file.settle_seconds, lambda: clock[0], lambda _text: None)
        list(drop.sweep(lambda: False))
        clock[0] += 60.0
        begun = time.perf_counter()
        arrived = list(drop.sweep(lambda: False))
        read_pending(job)
        taken = time.perf_counter() - begun
        refresh(job)
        took = time.perf_counter() - begun
        assert len(arrived) == dumps, len(arrived)
        assert views.status(job)["balance"]["read"] == readings
    return {
        "dumps": dumps, "readings": readings, "taken_s": round(taken, 3),
        "seconds": round(took, 3), "dumps_per_s": round(dumps / taken, 1),
        "readings_per_s": round(readings / taken), "readings_per_s_evaluated":
        round(readings / took),
    }  # fmt: skip


if __name__ == "__main__":
    for name, value in figures(*map(int, sys.argv[1:3])).items():
        print(f"{name:<28}{value:>12}")
