"""Measure how long the page's first answer takes: ten clients on loopback, a job of many readings.

python3 scripts/page_latency.py              a young job of 100 000 readings
python3 scripts/page_latency.py --old        the same readings in 100 dumps, 5 000 journal entries
python3 scripts/page_latency.py --every 5    while answers and small dumps come in every 5 s

Prints one line per page and one for all: answers, first answer ever, median, 95th percentile,
largest page. Exit code 1 where the 95th percentile of all passes 150 ms or a page passes 200 kB.
"""

from __future__ import annotations

import argparse
import http.client
import random
import re
import shutil
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
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, quote, urlsplit

import httpx2

if TYPE_CHECKING:
    from ingest.job import Job

CLIENTS = 10
MOST_MS = 150.0
MOST_KB = 200.0
OLD_DUMPS, OLD_ENTRIES = 100, 5_000
SMALL_DUMP = 24
"""Readings of a dump that comes in meanwhile."""


def job_of(folder: Path, readings: int, *, old: bool = False) -> Path:
    """Make a job of so many readings, with some labels mistyped; an old one has seen a lot."""
    from desk.demo import bulk
    from ingest import intake, planload
    from ingest.job import Job
    from ingest.jobtemplate import Beginning

    made = bulk.write(folder / "made", readings, slips=0.002, dumps=OLD_DUMPS if old else 1)
    cords = {"cords": {"grade": "standard", "reference_method": 1}}
    job = Job.create(folder / "job", Beginning(name="bulk", limits=("tia-568.3-d",)), cords)
    planload.load(job, made.plan)
    intake.take(job, made.dumps)
    if old:
        age(job)
    return job.folder


def age(job: Job) -> None:
    """Journal what years bring: notes, answers, and some of both taken back."""
    from ingest import views
    from ingest.derive import refresh
    from ingest.session import writing

    links = [row["link_id"] for row in views.retests(job)] or ["R001P01-01"]
    asked = views.questions(job)
    entries: list[tuple[str, dict[str, object]]] = []
    for number in range(OLD_ENTRIES):
        id_ = f"old{number:05d}"
        if number % 10 == 9:
            entries.append(("undo", {"id": f"old{number - 1:05d}", "why": "by mistake"}))
        elif number % 3:
            entries.append(("act", {
                "act_id": id_, "kind": "note", "subject": links[number % len(links)], "scope": "",
                "argument": "", "why": f"cap of port {number} was missing",
            }))  # fmt: skip
        else:
            question = asked[number % len(asked)]
            entries.append(("answer", {
                "answer_id": id_, "question_id": question["question_id"], "action": "ask-crew",
                "reading_ids": question["reading_ids"][:50], "link_ids": [], "argument": "",
                "why": f"message {number}",
            }))  # fmt: skip
    with writing(job, "age") as session:
        session.record_all(entries, "Otto Vale")
    refresh(job)


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
        self.origin = f"{parts.scheme}://{parts.netloc}"
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

    def send(self, path: str, dump: Path | None = None, **fields: str) -> None:
        """Send a form as a browser would, with this visitor's token."""
        self.line.request("GET", "/papers", headers={"cookie": self.cookie})
        found = re.search(r'name="token" value="([^"]+)"', self.line.getresponse().read().decode())
        assert found
        form = httpx2.Request(
            "POST", self.origin + path, data=fields | {"token": found[1]},
            files={"dumps": dump.read_bytes()} if dump else None,
            headers={"cookie": self.cookie, "origin": self.origin},
        )  # fmt: skip
        self.line.request("POST", path, body=form.read(), headers=dict(form.headers))
        answer = self.line.getresponse()
        answer.read()
        if answer.status != 303:
            raise RuntimeError(f"{path}: {answer.status}")


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


def changing(address: str, paths: list[str], every: float, over: threading.Event) -> None:
    """Answer a question, bring a small dump, answer the next, … until it is over."""
    from desk.demo import bulk

    client, count = Client(address), 0
    asked = [parse_qs(urlsplit(path).query)["id"][0] for path in paths if "/question?" in path]
    with tempfile.TemporaryDirectory(prefix="glasstally-latency-") as name:
        while not over.wait(every):
            count += 1
            if count % 2 and asked:
                client.send(
                    "/answer", question=asked[count % len(asked)], choice="ask-crew", again="1"
                )
            else:
                made = bulk.write(Path(name), SMALL_DUMP, seed=1_000 + count)
                client.send("/intake", made.dumps[0])


@contextmanager
def changes(address: str, paths: list[str], every: float) -> Iterator[None]:
    """Let changes come in meanwhile, so many seconds after each other; 0: none."""
    over = threading.Event()
    thread = threading.Thread(target=changing, args=(address, paths, every, over))
    if every:
        thread.start()
    try:
        yield
    finally:
        over.set()
        if every:
            thread.join()


def figures(
    readings: int = 100_000,
    seconds: float = 20.0,
    *,
    old: bool = False,
    job: Path | None = None,
    every: float = 0.0,
) -> dict[str, Any]:
    """Return what ten clients saw: `pages` by path, and `p50_ms`, `p95_ms`, `largest_kb` of all.

    Each page: answers, cold_ms (the first answer ever), p50_ms, p95_ms, kb (the largest). With
    `every`, a change comes in so many seconds after the last, to a copy of the job.
    """
    with tempfile.TemporaryDirectory(prefix="glasstally-latency-") as name:
        folder = job or job_of(Path(name), readings, old=old)
        if job and every:
            folder = Path(shutil.copytree(job, Path(name) / "job"))
        paths = paths_of(folder)
        with serving(folder) as address:
            first = Client(address)
            cold = {path.split("?")[0]: first.get(path)[0] for path in paths}
            with changes(address, paths, every):
                seen = load(address, paths, seconds)
    pages = {
        page: {
            "answers": len(found), "cold_ms": cold[page],
            "p50_ms": _quantile([ms for ms, _ in found], 0.5),
            "p95_ms": _quantile([ms for ms, _ in found], 0.95),
            "kb": max(size for _, size in found) / 1000,
        }
        for page, found in sorted(seen.items())
    }  # fmt: skip
    times = [ms for found in seen.values() for ms, _ in found]
    return {
        "pages": pages, "p50_ms": _quantile(times, 0.5), "p95_ms": _quantile(times, 0.95),
        "largest_kb": max(page["kb"] for page in pages.values()),
    }  # fmt: skip


def _quantile(values: list[float], share: float) -> float:
    return sorted(values)[min(int(len(values) * share), len(values) - 1)]


def show(found: dict[str, Any]) -> None:
    """Print the figures."""
    print(f"{'page':14} {'answers':>8} {'cold ms':>8} {'median':>8} {'95 %':>8} {'kB':>7}")
    for name, page in found["pages"].items():
        print(
            f"{name:14} {page['answers']:8d} {page['cold_ms']:8.0f} {page['p50_ms']:8.1f} "
            f"{page['p95_ms']:8.1f} {page['kb']:7.1f}"
        )
    answers = sum(page["answers"] for page in found["pages"].values())
    print(
        f"{'all':14} {answers:8d} {'':8} {found['p50_ms']:8.1f} {found['p95_ms']:8.1f} "
        f"{found['largest_kb']:7.1f}"
    )


def main() -> int:
    """Run the measurement."""
    arguments = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    arguments.add_argument("--readings", type=int, default=100_000)
    arguments.add_argument("--seconds", type=float, default=20.0)
    arguments.add_argument("--old", action="store_true", help="many dumps and journal entries")
    arguments.add_argument("--job", type=Path, help="an existing job instead of a new one")
    arguments.add_argument("--every", type=float, default=0.0, help="seconds between changes")
    given = arguments.parse_args()
    found = figures(given.readings, given.seconds, old=given.old, job=given.job, every=given.every)
    show(found)
    return int(found["p95_ms"] > MOST_MS or found["largest_kb"] > MOST_KB)


if __name__ == "__main__":
    sys.exit(main())
