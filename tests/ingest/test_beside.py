"""Other processes take a share of the work, and whatever becomes of them nothing is missing."""

from __future__ import annotations

import os
import select
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from multiprocessing import active_children, get_context
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any

import numpy as np
import psutil  # type: ignore[import-untyped]
import pytest

from desk.demo import bulk
from ingest import (
    beside,
    changes,
    decisions,
    derive,
    dumps,
    given,
    intake,
    planload,
    sharing,
    store,
    verify,
)
from ingest.beside import Beside, Shared
from ingest.holding import is_read
from ingest.job import Job
from ingest.judged import Judged, Tried
from ingest.partwise import Work
from rules import regions
from tests.ingest import sample

LONG_S = 60


class Bell:
    """Rung by another process, which may hear of it through a pipe, as of no event of theirs."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def set(self) -> None:
        """Ring; whoever waits has it open."""
        self.path.write_bytes(b"!")

    def wait(self, seconds: float) -> bool:
        """Wait until it rings, at most so long; tell whether it did."""
        bell = os.open(self.path, os.O_RDWR)
        try:
            return bool(select.select([bell], [], [], seconds)[0])
        finally:
            os.close(bell)


@contextmanager
def doubling(begun: Bell) -> Iterator[Callable[[int], Iterator[int]]]:
    """Negate and double numbers; 13 cannot be doubled, 14 ends the process, 15 never ends."""

    def work(number: int) -> Iterator[int]:
        begun.set()
        yield -number
        if number == 13:
            raise ValueError(number)
        if number == 14:
            os._exit(1)
        if number == 15:
            get_context("spawn").Event().wait()
        yield 2 * number

    yield work


@contextmanager
def unwilling() -> Iterator[Callable[[int], Iterator[int]]]:
    """Find that nothing can be done here."""
    raise EOFError
    yield int


@pytest.fixture
def begun(tmp_path: Path) -> Iterator[Bell]:
    """Yield what rings when the other process begins with its first item."""
    os.mkfifo(tmp_path / "bell")
    # as long as somebody has it open what is rung is not lost, and who rings need not wait
    held = os.open(tmp_path / "bell", os.O_RDWR)
    yield Bell(tmp_path / "bell")
    os.close(held)


def test_the_last_items_are_done_by_others_and_the_first_by_who_asks(begun: Bell) -> None:
    with Beside(partial(doubling, begun), 1) as others:
        answer = others.share(list(range(100, 200))).answer
        assert answer(100) is None, "nobody began with the first"
        assert begun.wait(LONG_S)
        found = [answer(number) for number in range(101, 200)]
        assert answer(100) is None
    theirs = [number is not None for number in found]
    assert theirs[-1] and theirs == sorted(theirs), "what others do is the end of the list"
    assert all(
        number in (None, 2 * place) for place, number in zip(range(101, 200), found, strict=True)
    )
    assert not active_children()


@pytest.mark.parametrize(("hard", "next_one"), [(13, 24), (14, None)])
def test_what_cannot_be_done_there_is_left_to_who_asks(
    begun: Bell, hard: int, next_one: int | None
) -> None:
    with Beside(partial(doubling, begun), 1) as others:
        shared = others.share([12, hard])
        answer = shared.answer
        assert begun.wait(LONG_S)
        assert shared.early(hard, wait=True) == -hard
        assert answer(hard) is None
        assert answer(12) in (next_one, None)
    assert not active_children()


def test_something_is_said_of_an_item_before_its_answer(begun: Bell) -> None:
    with Beside(partial(doubling, begun), 1) as others:
        shared = others.share([1, 15])
        assert shared.early(1, wait=True) is None, "nobody began with it"
        assert begun.wait(LONG_S)
        assert shared.early(15, wait=True) == -15
        assert shared.under_way(15)
        assert not shared.under_way(1)
    assert shared.answer(15) is None


def test_processes_that_nothing_is_for_are_ended(begun: Bell) -> None:
    with Beside(partial(doubling, begun), 2) as others:
        others.start(5)
        assert len(active_children()) == 2, "at most"
    assert not active_children()


def test_a_single_item_is_not_worth_a_process() -> None:
    with Beside(unwilling, 1) as others:
        assert others.share([1]).answer(1) is None
        assert not active_children()


@pytest.mark.parametrize(
    ("processors", "memory_gb", "processes"),
    [(1, 64, 0), (2, 64, 1), (8, 64, 7), (8, 8, 5), (8, 4, 2), (4, 2, 0), (4, 1, 0)],
)
def test_there_are_as_many_as_processors_and_memory_allow(
    processors: int, memory_gb: int, processes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = {"SC_PHYS_PAGES": memory_gb * 1_000_000, "SC_PAGE_SIZE": 1_000}
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: set(range(processors)), raising=False)
    monkeypatch.setattr(os, "sysconf", told.__getitem__, raising=False)
    assert beside.spare(0.6) == processes


def test_a_daemon_has_no_processes_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "current_process", lambda: SimpleNamespace(daemon=True))
    assert beside.spare(0.001) == 0


def test_who_stops_asking_ends_what_is_under_way(begun: Bell) -> None:
    with pytest.raises(KeyboardInterrupt), Beside(partial(doubling, begun), 1) as others:
        others.share([1, 15])
        assert begun.wait(LONG_S)
        raise KeyboardInterrupt
    assert not active_children()


def test_a_process_that_cannot_begin_leaves_everything_to_who_asks() -> None:
    with Beside(unwilling, 1) as others:
        answer = others.share([1, 2]).answer
        (helper,) = active_children()
        helper.join(LONG_S)
        assert [answer(1), answer(2)] == [None, None]


def test_no_process_outlives_who_asked(begun: Bell) -> None:
    script = (
        "import sys\n"
        "from functools import partial\n"
        "from multiprocessing import active_children\n"
        "from pathlib import Path\n"
        "from ingest.beside import Beside\n"
        "from tests.ingest.test_beside import Bell, doubling\n"
        "if __name__ == '__main__':\n"
        "    begun = Bell(Path(sys.argv[1]))\n"
        "    with Beside(partial(doubling, begun), 1) as others:\n"
        "        others.share([0, 1])\n"
        f"        assert begun.wait({LONG_S})\n"
        "        print(active_children()[0].pid, flush=True)\n"
        "        sys.stdin.read()\n"
    )
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", script, begun.path], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True, cwd=root,
    ) as asking:  # fmt: skip
        assert asking.stdout
        helper = psutil.Process(int(asking.stdout.readline()))
        asking.kill()
    with suppress(psutil.NoSuchProcess):
        helper.wait(LONG_S)
    assert not helper.is_running() or helper.status() == psutil.STATUS_ZOMBIE


@pytest.fixture
def job(tmp_path: Path) -> Job:
    """A job of five crews whose dumps wait to be read, and of links that nobody measured."""
    made = bulk.write(tmp_path / "made", 2_000, later=96, crews=5)
    job = sample.new_job(tmp_path / "job")
    planload.load(job, made.plan)
    for path in made.dumps[:-1]:
        intake.receive_file(job, path)
    return job


@pytest.fixture
def two(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let two processes evaluate, however few readings there are."""
    monkeypatch.setattr(changes, "TOGETHER", 1)
    monkeypatch.setattr(sharing, "most", lambda: 1)


@pytest.mark.parametrize(("processes", "batches"), [(1, 3), (2, 4), (3, 3)])
def test_each_process_has_as_many_batches_of_like_size(
    job: Job, processes: int, batches: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(changes, "TOGETHER", 1_000)
    monkeypatch.setattr(changes, "SHARE", 700)
    dumps.read_pending(job)
    with store.reader(job.store) as connection:
        kept = given.read(job, connection, decisions.decisions(connection))
        crews = [frozenset({dump}) for dump in kept.dumps]
        cells = regions.cells(kept.ground)
        found = changes.batches(kept, cells, crews, processes)
    assert len(found) == batches, "five crews of some 400 readings each"
    assert sorted(one for batch in found for one in batch) == sorted(kept.dumps)
    assert max(map(len, found)) == 2, "of like size"


@pytest.mark.usefixtures("two")
@pytest.mark.parametrize("ends", ["never", "in the middle"])
def test_a_job_evaluated_by_several_processes_is_the_whole(
    job: Job, ends: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    under_way, answered, taken = Event(), [], []
    share, take, answer = Beside.share, Shared.begun, Shared.answer

    def begin(self: Shared) -> Any:
        found = take(self)
        under_way.set()
        return found

    def counted(self: Beside, batches: list[frozenset[str]]) -> Shared:
        shared = share(self, batches)
        assert under_way.wait(LONG_S), "another process takes its share"
        (helper,) = active_children()
        taken.append(helper.pid)
        if ends == "in the middle":
            helper.kill()
        return shared

    def asked(self: Shared, dumps: frozenset[str]) -> Judged | None:
        answered.append(answer(self, dumps))
        return answered[-1]

    monkeypatch.setattr(Shared, "begun", begin)
    monkeypatch.setattr(Shared, "answer", asked)
    monkeypatch.setattr(Beside, "share", counted)
    dumps.read_pending(job)
    (ready,) = active_children()
    derive.refresh(job)
    assert taken == [ready.pid], "it was loading while the dumps were read"
    assert len(answered) == 6, "five crews and what nobody measured"
    assert any(answered) == (ends == "never")
    assert verify.verify(job).sound


@pytest.mark.usefixtures("two")
@pytest.mark.parametrize("when", ["while it waits", "with its own last"])
@pytest.mark.parametrize("right", [True, False])
def test_what_nobody_measured_is_taken_before_all_others_answer(
    job: Job, when: str, right: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing_left, taken, early = Event(), Shared.begun, Shared.early
    judged, parts = Work._judge, list[list[str]]()

    def begin(self: Shared) -> Any:
        found = taken(self)
        if found is None:
            nothing_left.set()
        return found

    def busy(self: Shared, dumps: frozenset[str]) -> bool:
        return when == "while it waits" and dumps in self._begun

    def said(self: Shared, dumps: frozenset[str], *, wait: bool) -> Any:
        assert nothing_left.wait(LONG_S), "this process has the first dumps, the other all others"
        found = early(self, dumps, wait=wait) if wait or when != "while it waits" else None
        return found if right or found is None else np.zeros(0, dtype="int64")

    def noted(self: Work, tried: Tried, near: Any) -> Judged | None:
        assert nothing_left.wait(LONG_S), (
            "this process has taken the first dumps, the other the rest"
        )
        found = judged(self, tried, near)
        parts.append([] if found is None else list(found.made.regions))
        return found

    monkeypatch.setattr(Shared, "begun", begin)
    monkeypatch.setattr(Shared, "under_way", busy)
    monkeypatch.setattr(Shared, "early", said)
    monkeypatch.setattr(Work, "_judge", noted)
    dumps.read_pending(job)
    derive.refresh(job)
    unread = [sum(not is_read(name) for name in names) for names in parts]
    assert any(unread[:-1]), "before the others are counted in"
    assert (sum(map(bool, unread)) == 1) == right, (
        "who comes nearer than was said has it done again"
    )
    assert verify.verify(job).sound


def test_a_process_that_finds_another_state_leaves_everything_to_who_asks(tmp_path: Path) -> None:
    made = bulk.write(tmp_path / "made", 400, crews=1)
    job = sample.new_job(tmp_path / "job")
    planload.load(job, made.plan)
    intake.take(job, made.dumps)
    with pytest.raises(EOFError), derive._elsewhere(job.folder, "of another state"):
        pytest.fail("it began")


def test_a_process_at_hand_is_taken_and_what_is_left_ends_with_the_work(begun: Bell) -> None:
    beside.make_ready(2, "json")
    beside.make_ready(1, "json")
    ready = {process.pid for process in active_children()}
    assert len(ready) == 2
    with Beside(partial(doubling, begun), 1) as others:
        answer = others.share([1, 2]).answer
        assert begun.wait(LONG_S)
        assert {process.pid for process in active_children()} == ready
        assert answer(2) == 4
    assert not active_children()


@pytest.mark.parametrize("module", ["json", "no.such.module"])
def test_a_process_that_no_work_comes_for_ends_by_itself(module: str, begun: Bell) -> None:
    beside.make_ready(1, module, 0.0)
    (ready,) = active_children()
    ready.join(LONG_S)
    assert not ready.is_alive()
    with Beside(partial(doubling, begun), 1) as others:
        assert others.share([1, 2]).answer(1) is None, "whoever takes it does the work alone"
    assert not active_children()


def test_few_readings_are_not_worth_a_process() -> None:
    sharing.expect(changes.TOGETHER - 1)
    assert not active_children()


def test_alone_everything_is_for_this_process() -> None:
    with Beside(unwilling, 0) as nobody:
        nobody.start(3)
        answer = nobody.share([frozenset("a"), frozenset("b")]).answer
        assert answer(frozenset("a")) is None
        assert not active_children()
