"""Torture the intake and print figures: `python scripts/torture.py [--long] [--seed N] [NAME…]`.

Every trial is bounded and seeded, and raises AssertionError where something is lost, doubled or
torn. kill −9 does not test the loss of power; the injected errors do a part of that. The order of
durability is that of SQLite's "Atomic Commit In SQLite": content, flush, name, flush of the folder,
and only then the record that it is there. Needs a POSIX system (fork, pseudo-terminals).
"""

from __future__ import annotations

import argparse
import errno
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ingest import (
    acts,
    capture,
    dumps,
    export,
    intake,
    originals,
    planload,
    store,
    verify,
    watch,
)
from ingest.derive import refresh
from ingest.dropfolder import Drop
from ingest.errors import NotNow, Trouble
from ingest.job import Job
from ingest.jobtemplate import Beginning
from ingest.line import SerialLine, Setting
from rules import tables

HEAD = (
    "Stored fibre tests,form 2\nMeter unit,{meter}\n"
    "Entry,Link,Fibre,Wave nm,Way,Ref dBm,Level dBm,Loss dB,Mark,Taken\n"
)
Figures = dict[str, Any]


def dump(rng: random.Random, number: int, rows: int = 0) -> tuple[bytes, int]:
    """Make an invented dump that no other equals: (its bytes, its readings)."""
    rows = rows or rng.randint(1, 40)
    lines = [
        f"{i},1A.{rng.randint(1, 24):02d},,{rng.choice((850, 1300))},A>B,,,{rng.random():.2f},ok,"
        f"2026-03-{1 + number % 28:02d} {i // 3600 % 24:02d}:{i // 60 % 60:02d}:{i % 60:02d}\n"
        for i in range(1, rows + 1)
    ]
    text = HEAD.format(meter=f"M-{number}") + "".join(lines)
    return (text if rng.random() < 0.5 else text.replace("\n", "\r\n")).encode(), rows


def new_job(folder: Path) -> Job:
    """Make a job with a plan of 24 links; files need no settle time."""
    job = Job.create(folder, Beginning("torture", limits=("tia-568.3-d",)), {"settle_seconds": 0.0})
    plan = folder.parent / "plan.csv"
    rows = [f"1A.{i:02d},OM3,{50 + i},2,P1:{i},P2:{i},inside" for i in range(1, 25)]
    plan.write_text(
        "\n".join(["link_id,fibre_type,length_m,connections,a_end,b_end,environment", *rows])
    )
    planload.load(job, plan)
    return job


def work(job: Job) -> None:
    """Take what lies in the inbox, read it, derive."""
    intake.sweep(job)
    for _ in Drop(job, 0.0, time.monotonic).sweep():
        pass
    dumps.read_pending(job)
    refresh(job)


def child(do: Callable[[], None]) -> int:
    """Run `do` in a forked process; an exception ends it with 1 and its traceback."""
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        do()
        code = 0
    except BaseException:  # noqa: BLE001 the parent sees the exit code
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code)


def wait_for(pids: list[int]) -> None:
    """Wait for children that must end well."""
    codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
    assert codes == [0] * len(pids), f"a process failed: {codes}"


def check(job: Job, expected: dict[str, int], *, full: bool = True) -> verify.Verdict:
    """Every dump is in exactly once with all its readings; everything verifies; nothing is left."""
    with store.reader(job.store) as connection:
        found = dict(connection.execute(
            "SELECT d.sha256, count(r.row) FROM dump d LEFT JOIN reading r ON r.dump = d.id "
            "GROUP BY d.id"
        ).fetchall())  # fmt: skip
        states = {row[0] for row in connection.execute("SELECT DISTINCT state FROM dump")}
        ids, distinct = connection.execute(
            "SELECT count(*), count(DISTINCT reading_id) FROM reading"
        ).fetchone()
    missing, strange = expected.keys() - found.keys(), found.keys() - expected.keys()
    assert not missing and not strange, f"{len(missing)} dumps lost, {len(strange)} from nowhere"
    assert found == expected, "a dump has not all its readings exactly once"
    assert ids == distinct == sum(expected.values())
    assert states <= {"taken"}, f"dumps are {states}"
    verdict = verify.verify(job, quick=not full)
    assert verdict.sound, verdict.problems
    assert verdict.originals == len(expected)
    left = [p.name for p in job.folder.rglob(".part-*")]
    assert not left, f"unexplained files: {left}"
    return verdict


def kills(folder: Path, rng: random.Random, long: bool) -> Figures:
    """kill −9 at random moments during intake; one more sweep makes everything whole."""
    count, span_s = (300, 1.0) if long else (6, 1.0)
    job, expected = new_job(folder / "job"), {}
    notes = 0
    for number in range(count):
        for _ in range(rng.randint(1, 4)):
            data, rows = dump(rng, len(expected))
            expected[originals.digest(data)] = rows
            (job.inbox / f"{len(expected)}.csv").write_bytes(data)
            if rng.random() < 0.2:
                (job.inbox / f"copy {number}.csv").write_bytes(data)
        pid = child(lambda: work(job))
        time.sleep(rng.random() * span_s)
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
    notes = len(intake.sweep(job))
    work(job)
    verdict = check(job, expected)
    return {"kills": count, "dumps": len(expected), "readings": sum(expected.values()),
            "journal entries": verdict.entries, "things the last sweep mended": notes}  # fmt: skip


@contextmanager
def failing(number: int, at: int) -> Iterator[list[int]]:
    """Let the call numbered `at` of open to write, flush, rename or commit fail with `number`."""
    calls = [0]
    saved = (os.fsync, Path.replace, Path.open, store.transaction)

    def trip() -> None:
        calls[0] += 1
        if calls[0] == at:
            raise OSError(number, os.strerror(number))

    def fsync(handle: int) -> None:
        trip()
        saved[0](handle)

    def replace(self: Path, target: Path) -> Path:
        trip()
        return saved[1](self, target)

    def open_(self: Path, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
        courtesy = "logs" in self.parts or self.name in ("glasstally.writer", "glasstally.derive")
        if mode not in ("r", "rb") and not courtesy:
            trip()
        return saved[2](self, mode, *args, **kwargs)

    @contextmanager
    def transaction(connection: sqlite3.Connection) -> Iterator[None]:
        with saved[3](connection):
            yield
            calls[0] += 1
            if calls[0] == at:
                raise sqlite3.OperationalError("database or disk is full")

    os.fsync, Path.replace, Path.open, store.transaction = fsync, replace, open_, transaction  # type: ignore[assignment,method-assign]
    try:
        yield calls
    finally:
        os.fsync, Path.replace, Path.open, store.transaction = saved  # type: ignore[method-assign]


def take(job: Job, data: bytes, name: str, *, derived: bool) -> None:
    """Take bytes in, with or without deriving from them."""
    if derived:
        intake.take_bytes(job, data, name, "page")
    else:
        intake.receive(job, data, name, "page")
        dumps.read_pending(job)


def disk_full(folder: Path, rng: random.Random, long: bool) -> Figures:
    """Fail each single write of taking a dump in; a clear message, then it goes on."""
    good = new_job(folder / "good")
    first, rows = dump(rng, 1)
    take(good, first, "first.csv", derived=True)
    second, more = dump(rng, 2)
    at, failed, said = 0, 0, set()
    while True:
        at += 1 if long or at < 6 else rng.randint(2, 4)
        shutil.rmtree(folder / "job", ignore_errors=True)
        shutil.copytree(good.folder, folder / "job")
        job = Job.open(folder / "job")
        number = rng.choice((errno.ENOSPC, errno.EIO))
        with failing(number, at) as calls:
            try:
                take(job, second, "second.csv", derived=long)
            except NotNow as trouble:
                assert len(trouble.lines) == 1
                said.add(str(trouble).split(": ", 1)[1])
                failed += 1
            else:
                assert calls[0] < at, "an injected error passed unnoticed"
                break
        check(job, _present(job, {first: rows, second: more}), full=False)
        take(job, second, "second.csv", derived=long)
        check(job, {originals.digest(first): rows, originals.digest(second): more}, full=long)
    return {"writes failed one by one": failed, "messages": sorted(said)}


def _present(job: Job, dumps_: dict[bytes, int]) -> dict[str, int]:
    """Tell which dumps a half-done take has stored; nothing may be stored by halves."""
    intake.enter_leftovers(job)
    dumps.read_pending(job)
    with store.reader(job.store) as connection:
        known = {row[0] for row in connection.execute("SELECT sha256 FROM dump")}
    return {originals.digest(d): n for d, n in dumps_.items() if originals.digest(d) in known}


def small_disk(folder: Path, rng: random.Random, long: bool) -> Figures:
    """Fill a real small disk (tmpfs, needs root), then make room."""
    place = folder / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1200k", "tmpfs", str(place)],
                          capture_output=True, check=False)  # fmt: skip
    if done.returncode:
        return {"not tried": "no permission to mount a small disk"}
    try:
        job, expected, refused = new_job(place / "job"), {}, 0
        for number in range(80):
            data, rows = dump(rng, number, 300)
            try:
                intake.receive(job, data, f"{number}.csv", "page")
                dumps.read_pending(job)
            except NotNow:
                refused += 1
                data_known = originals.path_of(job.originals, originals.digest(data)).exists()
                if not data_known:
                    continue
            expected[originals.digest(data)] = rows
        assert refused, "the disk did not fill"
        subprocess.run(["mount", "-o", "remount,size=60m", str(place)], check=True)
        work(job)
        check(job, expected, full=False)
        return {"dumps": len(expected), "refused for lack of space": refused}
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def crowd(folder: Path, rng: random.Random, long: bool) -> Figures:
    """Many files dropped by four processes at once, some in pieces, some twice, under a watch."""
    count = 1000 if long else 30
    job, expected = new_job(folder / "job"), {}
    text = (job.folder / "job.toml").read_text()
    (job.folder / "job.toml").write_text(
        text.replace("settle_seconds = 0.0", "settle_seconds = 0.2")
    )
    job = Job.open(job.folder)
    made = []
    for number in range(count):
        data, rows = dump(rng, number, rng.randint(1, 8))
        expected[originals.digest(data)] = rows
        made.append((f"{number}.csv", data))
        if number % 10 == 0:
            made.append((f"sub dir/again ä {number}.csv", data))
    seeds = [rng.random() for _ in range(4)]
    begin = time.monotonic()
    pids = [child(lambda k=k: _drop(job, made[k::4], random.Random(seeds[k]))) for k in range(4)]
    watcher = watch.Watch(job, lambda text: None, lambda receipt: None)
    drop = Drop(job, 0.2, time.monotonic)
    taken = 0
    while taken < len(made) and time.monotonic() - begin < 600:
        taken += sum(1 for _ in drop.sweep())
        dumps.read_pending(job)
        watcher.stop.wait(0.05)
    wait_for(pids)
    spent = time.monotonic() - begin
    work(job)
    check(job, expected, full=False)
    return {"files": len(made), "dumps": len(expected), "seconds": round(spent, 1),
            "files a second": round(len(made) / spent)}  # fmt: skip


def _drop(job: Job, files: list[tuple[str, bytes]], rng: random.Random) -> None:
    for name, data in files:
        path = job.inbox / name
        path.parent.mkdir(exist_ok=True)
        if rng.random() < 0.1:  # slowly, in pieces
            with path.open("wb", buffering=0) as out:
                for place in range(0, len(data), 200):
                    out.write(data[place : place + 200])
                    time.sleep(0.02)
        else:
            path.write_bytes(data)


def serial(folder: Path, rng: random.Random, long: bool) -> Figures:
    """A sender over a pseudo-terminal: full speed, then noise, pauses and an unplugged cable."""
    import tty

    job = new_job(folder / "job")
    rows = 385_000 if long else 3_000
    clean, _ = dump(rng, 1, rows)
    noisy, broken = _noisy(rng, 400)
    figures: Figures = {}
    for name, data, readable in (("clean", clean, rows), ("noisy", noisy, 400 - broken)):
        master, slave = os.openpty()
        tty.setraw(slave)
        port = os.ttyname(slave)
        end = data + b"\x04"
        with SerialLine(Setting(port)) as line:
            begin = time.monotonic()
            pid = child(lambda m=master, d=end, n=name: _send(m, d, 0.001 if n == "noisy" else 0))
            with capture.recording(job, f"{name}") as recorder:
                got = capture.capture(line, capture.End(mark=b"\x04", quiet_s=20), recorder)
            spent = time.monotonic() - begin
            wait_for([pid])
        os.close(master)
        os.close(slave)
        assert got.data == end and got.complete
        receipt = capture.store(job, recorder.path, got)
        balance = receipt.balance
        assert balance["read"] - balance["refused"] == readable, (balance, readable)
        figures |= {f"{name}: MB": round(len(data) / 1e6, 2), f"{name}: readings": readable,
                    f"{name}: faults": len(receipt.faults),
                    f"{name}: MB a second": round(len(data) / 1e6 / spent, 2)}  # fmt: skip
    assert figures["noisy: faults"] >= broken
    return figures


def _noisy(rng: random.Random, rows: int) -> tuple[bytes, int]:
    """Put noise into a dump: broken values, and lines of garbage that are no record."""
    data, _ = dump(rng, 2, rows)
    lines = data.decode().splitlines()
    spoilt = 0
    for place in range(3, len(lines)):
        if rng.random() < 0.1:
            cells = lines[place].split(",")
            cells[7] = rng.choice(("0.x1", "\x7f\x15", "?" * 5))
            lines[place] = ",".join(cells)
            spoilt += 1
    for _ in range(10):
        lines.insert(rng.randint(4, len(lines)), "".join(rng.choice("#~^§") for _ in range(9)))
    return "\r\n".join([*lines, ""]).encode("utf-8"), spoilt


def _send(master: int, data: bytes, pause_s: float) -> None:
    step = 4096 if not pause_s else 61
    for place in range(0, len(data), step):
        rest = data[place : place + step]
        while rest:
            rest = rest[os.write(master, rest) :]
        if pause_s:
            time.sleep(pause_s)


def many(folder: Path, rng: random.Random, long: bool) -> Figures:
    """Eight processes take, decide and read at once: no lost update, no locked database."""
    job = new_job(folder / "job")
    until = time.monotonic() + (60 if long else 3)
    seeds = [rng.random() for _ in range(8)]
    tallies = [folder / f"tally-{k}.json" for k in range(8)]
    pids = [
        child(lambda k=k: _busy(job, k, random.Random(seeds[k]), until, tallies[k]))
        for k in range(8)
    ]
    wait_for(pids)
    told = [json.loads(path.read_text()) for path in tallies]
    expected = {sha256: rows for tally in told for sha256, rows in tally["dumps"].items()}
    notes = [id_ for tally in told for id_ in tally["notes"]]
    with store.reader(job.store) as connection:
        kept = {row[0] for row in connection.execute(
            "SELECT json_extract(body, '$.act_id') FROM entry WHERE kind = 'act'"
        )}  # fmt: skip
    assert kept == set(notes) and len(notes) == len(kept), "a decision was lost or doubled"
    refresh(job)
    check(job, expected, full=False)
    waits = sorted(w for tally in told for w in tally["reads"])
    return {"dumps": len(expected), "decisions": len(notes), "reads": len(waits),
            "median read ms": round(1000 * waits[len(waits) // 2]),
            "slowest read ms": round(1000 * waits[-1])}  # fmt: skip


def _busy(job: Job, k: int, rng: random.Random, until: float, tally: Path) -> None:
    done: dict[str, Any] = {"dumps": {}, "notes": [], "reads": []}
    number = k * 10_000
    while time.monotonic() < until:
        number += 1
        if k < 3:
            data, rows = dump(rng, number, 3)
            intake.take_bytes(job, data, f"{number}.csv", "page")
            done["dumps"][originals.digest(data)] = rows
        elif k < 5:
            done["notes"].append(acts.note(job, f"1A.{rng.randint(1, 24):02d}", f"note {number}"))
        else:
            begin = time.monotonic()
            with store.reader(job.store) as connection:
                connection.execute(
                    "SELECT count(*), sum(accepted) FROM derived_completion"
                ).fetchall()
                connection.execute("SELECT * FROM derived_retests").fetchall()
            done["reads"].append(time.monotonic() - begin)
            time.sleep(0.01)
    tally.write_text(json.dumps(done))


def flips(folder: Path, rng: random.Random, long: bool) -> Figures:
    """Flip one bit of an original, of the journal, of the database: verify finds it."""
    job = new_job(folder / "job")
    for number in range(3):
        intake.receive(job, dump(rng, number)[0], f"{number}.csv", "page")
    work(job)
    count = 400 if long else 15
    found = {"originals": 0, "journal": 0}
    for kind in found:
        paths = [p for p in sorted((job.folder / kind).rglob("*")) if p.is_file()]
        for _ in range(count):
            with _flipped(rng, rng.choice(paths)):
                verdict = verify.verify(job, quick=True)
                assert not verdict.sound or verdict.notes, "a flipped byte went unseen"
                found[kind] += 1
    return {f"flips found in {kind}": number for kind, number in found.items()} | {
        "flips in the database": "see tests/ingest/test_proof.py"
    }


@contextmanager
def _flipped(rng: random.Random, path: Path) -> Iterator[None]:
    good = path.read_bytes()
    data = bytearray(good)
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.chmod(0o644)
    path.write_bytes(data)
    try:
        yield
    finally:
        path.write_bytes(good)


def again(folder: Path, rng: random.Random, long: bool) -> Figures:
    """Rebuild under other hash seeds, thread counts and CPU features: exports are equal."""
    import numpy as np

    job = new_job(folder / "job")
    for number in range(6 if long else 2):
        intake.receive(job, dump(rng, number)[0], f"{number}.csv", "page")
    work(job)
    features = " ".join(f for f in np._core._multiarray_umath.__cpu_dispatch__
                        if np._core._multiarray_umath.__cpu_features__.get(f))  # fmt: skip
    settings = [{"PYTHONHASHSEED": "77", "NPY_DISABLE_CPU_FEATURES": features}]
    if long:
        settings += [
            {"PYTHONHASHSEED": str(n), "OMP_NUM_THREADS": str(n % 2 + 1)} for n in range(4)
        ]
    code = (
        "import sys; from pathlib import Path; sys.path[:0] = sys.argv[2:];"
        "from ingest.job import Job; from ingest import rebuild;"
        "print(rebuild.rebuild(Job.open(Path(sys.argv[1])), accept=True).differences)"
    )
    before = digests(job)
    for extra in settings:
        done = subprocess.run(
            [sys.executable, "-c", code, str(job.folder), *sys.path], env={**os.environ, **extra},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.stdout == "()\n", done.stdout + done.stderr
        assert digests(job) == before
    return {"rebuilds": len(settings), "CPU features switched off": features,
            "tables equal": len(before)}  # fmt: skip


def digests(job: Job) -> dict[str, str]:
    """Give the hash of the canonical export of each public table."""
    return {
        name: hashlib.sha256(export.render(export.table(job, name), "csv")).hexdigest()
        for name in tables.PUBLIC
    }


TRIALS: dict[str, Callable[[Path, random.Random, bool], Figures]] = {
    "kills": kills, "disk-full": disk_full, "small-disk": small_disk, "crowd": crowd,
    "serial": serial, "many": many, "flips": flips, "rebuild": again,
}  # fmt: skip


def main() -> int:
    """Run the trials asked for and print what they came to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trials", nargs="*", metavar="NAME", help=f"of {', '.join(TRIALS)}")
    parser.add_argument("--long", action="store_true", help="the full counts; takes minutes")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    wrong = set(chosen.trials) - TRIALS.keys()
    if wrong:
        parser.error(f"no trial named {', '.join(sorted(wrong))}")
    failed = 0
    for name in chosen.trials or TRIALS:
        with tempfile.TemporaryDirectory() as folder:
            begin = time.monotonic()
            try:
                figures = TRIALS[name](Path(folder), random.Random(chosen.seed), chosen.long)
            except (AssertionError, Trouble):
                traceback.print_exc()
                figures, failed = {"FAILED": "see above"}, failed + 1
            print(f"{name} ({time.monotonic() - begin:.0f} s)", flush=True)
            for what, value in figures.items():
                print(f"  {what}: {value}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
