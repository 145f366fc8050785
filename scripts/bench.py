"""Measure the product: time and memory of each part next to a floor measured in the same run.

python3 scripts/bench.py                     stages at 10 000, 100 000 and 1 000 000 readings
python3 scripts/bench.py 10000 100000        other sizes (up to 3000000)
python3 scripts/bench.py --only page watch   other parts: layouts, page, watch, startup, handover,
                                             portfolio, pairing; `all` for everything
python3 scripts/bench.py --json FILE         write the figures as JSON as well

The floor of a size is `pandas.read_csv` of the same bytes, the SHA-256 of them, and a bare
`executemany` of the same rows into a fresh SQLite file; that of evaluating is one sort and one
group of the readings by link and time. A job has a crew, with its own meter, for every 25 000
readings: that is what one brings in in a month or so. Each size runs in a process of its own, so
that peaks of memory do not mix; a thread samples the memory held, stage by stage, with that of the
processes that evaluate beside (what they share with others counts once). Ratios are of seconds;
`cpu` is the processor time of all these processes. The lines `of it` are of this process alone.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import io
import json
import multiprocessing
import os
import platform
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "scripts")]

SIZES = (10_000, 100_000, 1_000_000)
SAMPLE_S = 0.02
LOOK = 40
"""Samples between two looks for other processes."""
EVALUATE = " evaluate alone"
LOAD, PACK = " read what is evaluated", " pack the tables"
INNER = {
    EVALUATE: ("ingest.partwise", "evaluate"),
    LOAD: ("ingest.readings", "load"),
    PACK: ("ingest.results", "pack"),
    "  of it: clocks": ("rules.clocks", "resolve"),
    "  of it: copies": ("rules.duplicates", "mark"),
    "  of it: runs": ("rules.runs", "assign"),
    "  of it: references": ("rules.references", "apply"),
    "  of it: pair": ("rules.pairing", "pair_on"),
    "  of it: limits": ("rules.limits", "for_links"),
    "  of it: checks before": ("rules.checks", "before"),
    "  of it: grade": ("rules.grades", "grade"),
    "  of it: checks after": ("rules.checks", "after"),
    "  of it: causes": ("rules.causes", "group"),
    "  of it: count": ("rules.completion", "by_region"),
    "  of it: told apart": ("rules.division", "divide"),
}
"""Functions of the evaluation that are timed on their own: stage to (module, function)."""
PATH = ("read", "store", "derive", "export")
"""Stages that make up the whole path."""
FLOOR, SORTING = "floor", "floor of evaluating (sort, group)"
CORDS = {"cords": {"grade": "standard", "reference_method": 1}}
"""Without them nothing could be graded."""
MORE = 1_000
"""Readings of a dump that is added to a job already evaluated."""
OF_A_CREW = 25_000
"""Readings of one crew and its meter."""
NO_BYTECODE = "PYTHONDONTWRITEBYTECODE"


class Meter:
    """Times stages and samples the memory that this process holds."""

    def __init__(self) -> None:
        import psutil  # type: ignore[import-untyped]

        self.process = psutil.Process()
        self.gone = psutil.NoSuchProcess
        self.stages: dict[str, dict[str, float]] = {}
        self.peak = 0

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.peak = self.process.memory_info().rss
        done = threading.Event()
        sampler = threading.Thread(target=self._sample, args=(done,), daemon=True)
        sampler.start()
        begun, worked = time.perf_counter(), _cpu()
        try:
            yield
        finally:
            took, cpu = time.perf_counter() - begun, _cpu() - worked
            done.set()
            sampler.join()
            self.stages[name] = {"seconds": took, "cpu": cpu, "peak_mb": self.peak / 1e6}

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
            begun, worked = time.perf_counter(), _cpu()
            try:
                return function(*arguments, **options)
            finally:
                spent = self.stages.setdefault(name, {"seconds": 0.0, "cpu": 0.0, "peak_mb": 0.0})
                spent["seconds"] += time.perf_counter() - begun
                spent["cpu"] += _cpu() - worked

        return timed

    def _sample(self, done: threading.Event) -> None:
        turn, beside = 0, []
        while not done.wait(SAMPLE_S):
            if turn % LOOK == 0:
                beside = self.process.children(recursive=True)
            turn += 1
            held = self.process.memory_info().rss
            for one in beside:
                with suppress(self.gone):
                    memory = one.memory_info()
                    held += memory.rss - getattr(memory, "shared", 0)
            self.peak = max(self.peak, held)


def _cpu() -> float:
    """Return the processor time of this process and of those that it waited for, in seconds."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def floor(data: bytes, store: Path) -> None:
    """Read the bytes with pandas, hash them, and put the rows into SQLite, nothing else."""
    import pandas as pd

    hashlib.sha256(data).hexdigest()
    head = data.index(b"\nSlot") + 1 if b"\nSlot" in data else _table_start(data)
    frame = pd.read_csv(io.BytesIO(data[head:]), dtype=str)
    marks = ", ".join("?" * len(frame.columns))
    with closing(sqlite3.connect(store)) as connection:
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


def sorting(job: Path) -> dict[str, float]:
    """Sort and group the readings of a job by link and time, nothing else."""
    from ingest import derive
    from ingest.job import Job

    evaluation = derive.evaluation(Job.open(job))
    links = evaluation.pairs.set_index("reading_id")["link_id"]
    table = evaluation.readings
    table = table.assign(link_id=links.reindex(table["reading_id"]).to_numpy())
    begun, worked = time.perf_counter(), time.process_time()
    ordered = table.sort_values(["link_id", "taken_at_utc"])
    ordered.groupby("link_id", sort=False)["loss_db"].mean()
    took, cpu = time.perf_counter() - begun, time.process_time() - worked
    return {"seconds": took, "cpu": cpu, "peak_mb": 0.0}


def apart(work: Callable[[Path], dict[str, float]], path: Path) -> dict[str, float]:
    """Do something in a process of its own, so that its memory is none of ours."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(work, (path,))


def measure(size: int) -> dict[str, dict[str, float]]:
    """Run every stage once at one size and return seconds and peak memory of each."""
    import pandas  # noqa: F401 its import is no stage

    from desk.demo import bulk
    from ingest import derive, dumps, export, intake, planload, views
    from ingest.job import Job
    from ingest.jobtemplate import Beginning
    from parsers import registry
    from parsers.dump import Dump

    meter = Meter()
    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        folder = Path(name)
        crews = max(1, size // OF_A_CREW)
        made = bulk.write(folder / "made", size + MORE, dumps=1, later=MORE, crews=crews)
        *paths, later = made.dumps
        each = [path.read_bytes() for path in paths]
        with meter.stage(FLOOR):
            for number, data in enumerate(each):
                floor(data, folder / f"floor-{number}.db")
        read = [
            Dump(data, path.name, hashlib.sha256(data).hexdigest())
            for data, path in zip(each, paths, strict=True)
        ]
        (parser,) = [p for p in registry.shipped() if p.recognise(read[0]).level == "yes"]
        with meter.stage("parse"):
            found = sum(len(parser.parse(dump).readings) for dump in read)
        assert found == size, (found, size)
        del read, each
        job = Job.create(
            folder / "job", Beginning("bench", limits=("tia-568.3-d",), timezone="UTC"), CORDS
        )
        with meter.stage("plan"):
            planload.load(job, made.plan)
        with meter.stage("read (bytes, hash, original, journal)"):
            arrived = [intake.receive_file(job, path).new for path in paths]
        assert all(arrived), arrived
        with meter.stage("store (parse, account, rows)"):
            dumps.read_pending(job)
        with meter.inner(INNER), meter.stage("derive (evaluate, derived tables)"):
            derive.refresh(job)
        for name in (LOAD, PACK):  # they stand on their own
            for unit in ("seconds", "cpu"):
                meter.stages[EVALUATE][unit] -= meter.stages[name][unit]
        meter.stages[SORTING] = apart(sorting, folder / "job")
        with meter.stage("export readings as CSV"):
            export.write(job, "readings", "csv", folder / "readings.csv")
        with meter.stage(f"one more dump of {MORE} readings, until status shows it"):
            intake.receive_file(job, later)
            dumps.read_pending(job)
            derive.refresh(job)
            assert views.status(job)["balance"]["read"] == size + MORE
    return meter.stages


def show(results: dict[int, dict[str, dict[str, float]]]) -> None:
    """Print one table: stage by size with seconds, ratio to the floor and peak memory."""
    print(f"{platform.machine()}, Python {platform.python_version()}, {sys.platform}")
    heads = ("readings", "seconds", "cpu", "x floor", "peak MB")
    print(f"{'stage':<56}", *(f"{head:>9}" for head in heads))
    for size, stages in results.items():
        total = dict.fromkeys(("seconds", "cpu", "peak_mb"), 0.0)
        for name, figures in stages.items():
            if name.startswith(PATH):
                total = {
                    "seconds": total["seconds"] + figures["seconds"],
                    "cpu": total["cpu"] + figures["cpu"],
                    "peak_mb": max(total["peak_mb"], figures["peak_mb"]),
                }
            _line(name, size, figures, stages[SORTING if name == EVALUATE else FLOOR])
        _line("whole path: read + store + derive + export", size, total, stages[FLOOR])
        print(f"{'kB a reading at the peak':<56} {size:>9} {total['peak_mb'] * 1000 / size:>9.2f}")


def _line(name: str, size: int, figures: dict[str, float], base: dict[str, float]) -> None:
    ratio = figures["seconds"] / max(base["seconds"], 1e-9)
    print(
        f"{name:<56} {size:>9} {figures['seconds']:>9.2f} {figures['cpu']:>9.2f} "
        f"{ratio:>9.2f} {figures['peak_mb']:>9.0f}"
    )


def stages(sizes: list[int]) -> dict[int, dict[str, dict[str, float]]]:
    """Measure each size in a process of its own and print the table."""
    results = {}
    # an installed package has its bytecode beside it
    kept = {name: value for name, value in os.environ.items() if name != NO_BYTECODE}
    for size in sizes:
        done = subprocess.run(
            [sys.executable, __file__, "--one", str(size)],
            stdout=subprocess.PIPE, text=True, check=True, env=kept,
        )  # fmt: skip
        results[size] = json.loads(done.stdout.splitlines()[-1])
    show(results)
    return results


def layouts() -> object:
    """Show every dump layout next to `pandas.read_csv`."""
    import bench_parsers

    found = list(bench_parsers.figures())
    bench_parsers.show(found)
    return [asdict(one) for one in found]


def page() -> object:
    """Show how long the page's answers take on a young job and on one that has seen a lot."""
    import page_latency

    found = {}
    for age, old in (("young", False), ("old", True)):
        found[age] = page_latency.figures(old=old)
        print(f"{age} job")
        page_latency.show(found[age])
    return found


def watch() -> object:
    """Show how many dumps a second the drop folder takes."""
    import bench_watch

    return _told(bench_watch.figures())


def startup() -> object:
    """Show how long the command takes to say something."""
    import bench_startup

    return _told(bench_startup.figures())


def pairing() -> object:
    """Show what pairing takes at first, and with what was settled before."""
    import bench_pairing

    return _told(bench_pairing.figures())


def portfolio() -> object:
    """Show how long a sum over a great many readings of many jobs takes."""
    import bench_portfolio

    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        bench_portfolio.fill(Path(name), bench_portfolio.READINGS, bench_portfolio.JOBS)
        return _told(bench_portfolio.figures(Path(name)))


def handover() -> object:
    """Show what a handover of 10 000 links takes (the long test measures the same)."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-s", "tests/desk/test_handover_size.py"],
        cwd=ROOT, stdout=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    line = next((line for line in done.stdout.splitlines() if " pages" in line), "no figures")
    print(line)
    return line


def _told(found: dict[str, Any]) -> dict[str, Any]:
    for name, value in found.items():
        print(f"{name:<28} {value}")
    return found


PARTS: dict[str, Callable[[], object]] = {
    "layouts": layouts, "page": page, "watch": watch, "startup": startup, "handover": handover,
    "portfolio": portfolio, "pairing": pairing,
}  # fmt: skip


def main() -> None:
    """Run what the options ask for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("sizes", nargs="*", type=int, default=list(SIZES))
    parser.add_argument("--only", nargs="+", choices=[*PARTS, "all"], default=[])
    parser.add_argument("--json", type=Path)
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one:
        print(json.dumps(measure(arguments.one)))
        return
    every = "all" in arguments.only
    found: dict[str, object] = {}
    if every or not arguments.only:
        found["stages"] = stages(arguments.sizes)
    for name, part in PARTS.items():
        if every or name in arguments.only:
            print(f"== {name}")
            found[name] = part()
    if arguments.json:
        arguments.json.write_text(json.dumps(found, indent=1, default=str), encoding="utf-8")


if __name__ == "__main__":
    main()
