"""Measure time and memory of each stage next to a floor measured in the same run.

python3 scripts/bench.py                     10 000, 100 000 and 1 000 000 readings
python3 scripts/bench.py 10000 100000        other sizes
python3 scripts/bench.py --json FILE         write the figures as JSON as well
python3 scripts/bench.py --page              the page under ten clients instead, young and old job
python3 scripts/bench.py --layouts           every dump layout next to pandas.read_csv instead

The floor of a size is `pandas.read_csv` of the same bytes, the SHA-256 of them, and a bare
`executemany` of the same rows into a fresh SQLite file. Each size runs in a process of its own, so
that peaks of memory do not mix; a thread samples the memory held, stage by stage.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import io
import json
import platform
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

SIZES = (10_000, 100_000, 1_000_000)
SAMPLE_S = 0.02
INNER = {
    "  of it: clocks": ("rules.clocks", "resolve"),
    "  of it: copies": ("rules.duplicates", "mark"),
    "  of it: runs": ("rules.runs", "assign"),
    "  of it: references": ("rules.references", "apply"),
    "  of it: pair": ("rules.pairing", "pair"),
    "  of it: limits": ("rules.limits", "for_links"),
    "  of it: checks before": ("rules.checks", "before"),
    "  of it: grade": ("rules.grades", "grade"),
    "  of it: checks after": ("rules.checks", "after"),
    "  of it: causes": ("rules.causes", "group"),
    "  of it: count": ("rules.completion", "count"),
}
"""Functions of the evaluation that are timed on their own: stage to (module, function)."""
PATH = ("read", "store", "derive", "export")
"""Stages that make up the whole path."""


class Meter:
    """Times stages and samples the memory that this process holds."""

    def __init__(self) -> None:
        import psutil

        self.process = psutil.Process()
        self.stages: dict[str, dict[str, float]] = {}
        self.peak = 0

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.peak = self.process.memory_info().rss
        done = threading.Event()
        sampler = threading.Thread(target=self._sample, args=(done,), daemon=True)
        sampler.start()
        begun = time.perf_counter()
        try:
            yield
        finally:
            took = time.perf_counter() - begun
            done.set()
            sampler.join()
            self.stages[name] = {"seconds": took, "peak_mb": self.peak / 1e6}

    @contextmanager
    def inner(self, places: dict[str, tuple[str, str]]) -> Iterator[None]:
        """Time functions of the evaluation by standing in for them while a stage runs."""
        originals = {}
        for name, (module, function) in places.items():
            where = importlib.import_module(module)
            originals[name] = (where, function, getattr(where, function))
            setattr(where, function, self._timed(name, originals[name][2]))
        try:
            yield
        finally:
            for where, function, original in originals.values():
                setattr(where, function, original)

    def _timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*arguments: Any, **options: Any) -> Any:
            begun = time.perf_counter()
            try:
                return function(*arguments, **options)
            finally:
                spent = self.stages.setdefault(name, {"seconds": 0.0, "peak_mb": 0.0})
                spent["seconds"] += time.perf_counter() - begun

        return timed

    def _sample(self, done: threading.Event) -> None:
        while not done.wait(SAMPLE_S):
            self.peak = max(self.peak, self.process.memory_info().rss)


def floor(data: bytes, folder: Path) -> None:
    """Read the bytes with pandas, hash them, and put the rows into SQLite, nothing else."""
    import pandas as pd

    hashlib.sha256(data).hexdigest()
    head = data.index(b"\nSlot") + 1 if b"\nSlot" in data else _table_start(data)
    frame = pd.read_csv(io.BytesIO(data[head:]), dtype=str)
    marks = ", ".join("?" * len(frame.columns))
    with closing(sqlite3.connect(folder / "floor.db")) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        names = ", ".join(f"c{i} TEXT" for i in range(len(frame.columns)))
        connection.execute(f"CREATE TABLE t ({names})")
        rows = zip(*(frame[name].tolist() for name in frame.columns), strict=True)
        connection.executemany(f"INSERT INTO t VALUES ({marks})", rows)
        connection.commit()


def _table_start(data: bytes) -> int:
    """Return where the widest line begins: the header of the table."""
    place, best, widest = 0, 0, 0
    for line in data[:20_000].split(b"\n"):
        if line.count(b",") > widest:
            best, widest = place, line.count(b",")
        place += len(line) + 1
    return best


def measure(size: int) -> dict[str, dict[str, float]]:
    """Run every stage once at one size and return seconds and peak memory of each."""
    import pandas  # noqa: F401 its import is no stage

    from desk.demo import bulk
    from ingest import derive, export, intake, planload
    from ingest.job import Job
    from ingest.jobtemplate import Beginning
    from parsers import registry
    from parsers.dump import Dump

    meter = Meter()
    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        folder = Path(name)
        made = bulk.write(folder / "made", size, dumps=1)
        path = made.dumps[0]
        data = path.read_bytes()
        with meter.stage("floor"):
            floor(data, folder)
        sha256 = hashlib.sha256(data).hexdigest()
        dump = Dump(data, path.name, sha256)
        (parser,) = [p for p in registry.shipped() if p.recognise(dump).level == "yes"]
        with meter.stage("parse"):
            extract = parser.parse(dump)
        assert len(extract.readings) == size, (len(extract.readings), size)
        del extract, dump, data
        job = Job.create(
            folder / "job", Beginning("bench", limits=("tia-568.3-d",), timezone="UTC")
        )
        with meter.stage("plan"):
            planload.load(job, made.plan)
        with meter.stage("read (bytes, hash, original, journal)"):
            arrived = intake.receive_file(job, path)
        assert arrived.new, arrived
        with meter.stage("store (parse, account, rows)"):
            intake.read_pending(job)
        with meter.inner(INNER), meter.stage("derive (evaluate, derived tables)"):
            derive.derive(job)
        with meter.stage("export readings as CSV"):
            export.write(job, "readings", "csv", folder / "readings.csv")
    return meter.stages


def show(results: dict[int, dict[str, dict[str, float]]]) -> None:
    """Print one table: stage by size with seconds, ratio to the floor and peak memory."""
    print(f"{platform.machine()}, Python {platform.python_version()}, {sys.platform}")
    print(f"{'stage':<48}{'readings':>10}{'seconds':>10}{'x floor':>9}{'peak MB':>9}")
    for size, stages in results.items():
        base = stages["floor"]["seconds"]
        total = 0.0
        for name, figures in stages.items():
            counted = name.startswith(PATH)
            total += figures["seconds"] if counted else 0.0
            print(
                f"{name:<48}{size:>10}{figures['seconds']:>10.2f}"
                f"{figures['seconds'] / base:>9.2f}{figures['peak_mb']:>9.0f}"
            )
        print(f"{'whole path: read + store + derive + export':<48}{size:>10}{total:>10.2f}"
              f"{total / base:>9.2f}")  # fmt: skip


def page(to: Path | None) -> None:
    """Show how long the page's answers take on a young job and on one that has seen a lot."""
    import page_latency

    found = {}
    for age, old in (("young", False), ("old", True)):
        found[age] = page_latency.figures(old=old)
        print(f"{age} job")
        page_latency.show(found[age])
    if to:
        to.write_text(json.dumps(found, indent=1), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("sizes", nargs="*", type=int, default=list(SIZES))
    parser.add_argument("--json", type=Path)
    parser.add_argument("--layouts", action="store_true")
    parser.add_argument("--page", action="store_true")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.page:
        page(arguments.json)
        return
    if arguments.one:
        print(json.dumps(measure(arguments.one)))
        return
    if arguments.layouts:
        sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
        bench_parsers = importlib.import_module("scripts.bench_parsers")
        bench_parsers.show(bench_parsers.figures())
        return
    results = {}
    for size in arguments.sizes:
        done = subprocess.run(
            [sys.executable, __file__, "--one", str(size)],
            stdout=subprocess.PIPE, text=True, check=True,
        )  # fmt: skip
        results[size] = json.loads(done.stdout.splitlines()[-1])
    show(results)
    if arguments.json:
        arguments.json.write_text(json.dumps(results, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
