"""Measure how long the page's first answer takes: ten clients on loopback, a job of many readings.

Prints one line per page and one for all: answers, median, 95th percentile, largest page. Exit code
1 where the 95th percentile of all passes 150 ms or a page passes 200 kB.
"""

from __future__ import annotations

import argparse
import http.client
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote, urlsplit

CLIENTS = 10
MOST_MS = 150.0
MOST_BYTES = 200_000


def job_of(folder: Path, readings: int) -> Path:
    """Make a job of so many readings, with some labels mistyped."""
    from desk.demo import bulk
    from ingest import intake, planload
    from ingest.job import Job
    from ingest.jobtemplate import Beginning

    made = bulk.write(folder / "made", readings, slips=0.002)
    job = Job.create(folder / "job", Beginning(name="bulk", limits=("tia-568.3-d",)))
    planload.load(job, made.plan)
    intake.take(job, made.dumps)
    return job.folder


def paths_of(folder: Path) -> list[str]:
    """List the pages to be asked for, with links, panels and questions drawn from the job."""
    from ingest import views
    from ingest.job import Job

    job = Job.open(folder)
    draw = random.Random(1)
    retests = views.retests(job)
    links = [row["link_id"] for row in draw.sample(retests, min(20, len(retests)))]
    links += ["R001P01-01", "R001P02-17"]
    asked = [row["question_id"] for row in views.questions(job, "open")[:20]]
    return [
        "/", "/panels", "/panels?page=3", "/questions", "/intake", "/retests", "/sheets",
        "/papers", "/handover", "/quality", "/panel?name=R001P01", "/links.json?q=r001p05",
        *(f"/link?id={quote(link)}" for link in links),
        *(f"/question?id={quote(one)}" for one in asked),
    ]  # fmt: skip


class Client:
    """One keep-alive connection that was let in."""

    def __init__(self, address: str) -> None:
        parts = urlsplit(address)
        self.line = http.client.HTTPConnection(parts.netloc, timeout=120)
        self.line.request("GET", f"{parts.path}?{parts.query}")
        answer = self.line.getresponse()
        answer.read()
        self.cookie = str(answer.headers["set-cookie"]).split(";")[0]

    def get(self, path: str) -> tuple[float, int]:
        """Return milliseconds until the first byte of a page, and its bytes."""
        begin = time.perf_counter()
        self.line.request("GET", path, headers={"cookie": self.cookie})
        answer = self.line.getresponse()
        first = (time.perf_counter() - begin) * 1000
        size = len(answer.read())
        if answer.status != 200:
            raise RuntimeError(f"{path}: {answer.status}")
        return first, size


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """Serve a job's page in a process of its own; give the address it prints."""
    command = [sys.executable, "-m", "desk.main", "--job", str(folder), "page", "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        yield process.stdout.readline().split()[-1]
        process.send_signal(signal.SIGINT)
        process.wait(20)


def load(address: str, paths: list[str], seconds: float) -> dict[str, list[tuple[float, int]]]:
    """Let ten clients ask for pages in random order for a while."""
    seen: dict[str, list[tuple[float, int]]] = defaultdict(list)
    lock, end = threading.Lock(), time.monotonic() + seconds

    def work(seed: int) -> None:
        draw, client = random.Random(seed), Client(address)
        while time.monotonic() < end:
            path = draw.choice(paths)
            found = client.get(path)
            with lock:
                seen[path.split("?")[0]].append(found)
            # a person reads; ten people do not press without a pause
            time.sleep(draw.uniform(0.2, 1.0))

    threads = [threading.Thread(target=work, args=(seed,)) for seed in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return seen


def main() -> int:
    """Run the measurement."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--readings", type=int, default=100_000)
    arguments.add_argument("--seconds", type=float, default=20.0)
    arguments.add_argument("--job", type=Path, help="an existing job instead of a new one")
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory(prefix="glasstally-latency-") as name:
        folder = given.job or job_of(Path(name), given.readings)
        paths = paths_of(folder)
        with serving(folder) as address:
            first = Client(address)
            cold = {path.split("?")[0]: first.get(path)[0] for path in paths}
            seen = load(address, paths, given.seconds)
    return report(cold, seen)


def report(cold: dict[str, float], seen: dict[str, list[tuple[float, int]]]) -> int:
    """Print the figures; return the exit code."""
    everything = sorted(ms for found in seen.values() for ms, _ in found)
    largest = max(size for found in seen.values() for _, size in found)
    print(f"{'page':14} {'answers':>8} {'cold ms':>8} {'median':>8} {'95 %':>8} {'kB':>7}")
    for page in sorted(seen):
        times = sorted(ms for ms, _ in seen[page])
        size = max(size for _, size in seen[page])
        print(
            f"{page:14} {len(times):8d} {cold[page]:8.0f} {times[len(times) // 2]:8.1f} "
            f"{times[int(len(times) * 0.95)]:8.1f} {size / 1000:7.1f}"
        )
    p95 = everything[int(len(everything) * 0.95)]
    print(
        f"{'all':14} {len(everything):8d} {'':8} {everything[len(everything) // 2]:8.1f} {p95:8.1f}"
    )
    return int(p95 > MOST_MS or largest > MOST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
