"""Measure how long the quick commands take from a cold process.

python3 scripts/bench_startup.py [REPEATS]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

TARGETS_MS = {"--help": 300, "status": 600}


def figures(repeats: int = 7) -> dict[str, dict[str, float]]:
    """Give milliseconds (least and median of `repeats`) of each command, on the invented job.

    The floor is a bare Python process that imports nothing.
    """
    from desk.demo import make
    from desk.demo.begin import new_job
    from ingest import intake

    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        made = make(Path(name) / "made")
        job = new_job(Path(name) / "job", made)
        intake.take(job, made.dumps)
        run = [sys.executable, "-m", "desk.main", "--job", str(job.folder)]
        commands = {
            "floor: python -c pass": [sys.executable, "-c", "pass"],
            "--help": [*run, "--help"],
            "status": [*run, "status"],
        }
        return {name: _timed(command, repeats) for name, command in commands.items()}


def _timed(command: list[str], repeats: int) -> dict[str, float]:
    took = []
    for _ in range(repeats + 1):
        begun = time.perf_counter()
        done = subprocess.run(command, cwd=ROOT, capture_output=True, check=False)
        took.append((time.perf_counter() - begun) * 1000)
        assert done.returncode in (0, 1), done.stderr
    took = took[1:]  # the first fills the file cache
    return {"least_ms": round(min(took), 1), "median_ms": round(statistics.median(took), 1)}


if __name__ == "__main__":
    for name, ms in figures(*map(int, sys.argv[1:2])).items():
        target = f", target {TARGETS_MS[name]} ms" if name in TARGETS_MS else ""
        print(f"{name:<24}{ms['least_ms']:>8.1f} ms least{ms['median_ms']:>8.1f} ms median{target}")
