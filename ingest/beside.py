"""Other processes that work on a list from its end while this one works on it from the front.

They are spawned, so that they carry nothing of this one's memory or locks, and hear of their end by
the closing of their pipe: whatever becomes of this process, none of them is left behind. Some may
load what they will need before it is known what they will work on (`make_ready`).
"""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Hashable, Sequence
from concurrent.futures import Future
from contextlib import AbstractContextManager, suppress
from importlib import import_module
from multiprocessing import current_process, get_context
from multiprocessing.connection import Connection
from threading import Lock, Thread
from typing import Any

Told = tuple[Future[Any], Future[Any]]
"""What is said of an item early on, and the answer."""
IDLE_S = 60.0
"""So long a process waits to hear what it is for."""

Begin = Callable[[], AbstractContextManager[Callable[[Any], Generator[Any, None, None]]]]
"""Make ready, in the other process, what works on an item; it must be known by its name.

It yields what can be said of an item early on, and then the answer.
"""


def spare(each_gb: float) -> int:
    """Return how many processes this machine can take beside this one, each of that much memory.

    One for each further processor, as long as half of the memory is left to others; a system that
    does not say how much it has is taken to have enough. A daemon can have none.
    """
    if current_process().daemon:
        return 0
    if hasattr(os, "sched_getaffinity"):
        processors = len(os.sched_getaffinity(0))
    else:
        processors = os.cpu_count() or 1
    if "SC_PHYS_PAGES" not in getattr(os, "sysconf_names", {}):
        return processors - 1
    memory_gb = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 1e9
    return max(0, min(processors, int(memory_gb / 2 / each_gb)) - 1)


class Beside:
    """Some processes, at most `most`; ended, whatever they are doing, where the block ends."""

    def __init__(self, begin: Begin, most: int) -> None:
        self._begin, self._most = begin, most
        self._helpers: list[_Helper] = []
        self._shared = Future[Shared]()

    @property
    def processes(self) -> int:
        """Return how many processes there may be, this one among them."""
        return self._most + 1

    def __enter__(self) -> Beside:
        return self

    def __exit__(self, *_raised: object) -> None:
        if not self._shared.done():
            self._shared.set_result(Shared(()))
        for one in self._helpers:
            one.end()
        while (idle := _at_hand()) is not None:
            idle.kill()
            idle.pipe.close()

    def start(self, count: int) -> None:
        """Let `count` processes make ready, before it is known what for."""
        while len(self._helpers) < min(count, self._most):
            self._helpers.append(_Helper(self._begin, self._shared))

    def share(self, items: Sequence[Hashable]) -> Shared:
        """Have items worked on, each of which is there once, the last ones first; only once."""
        self.start(len(items) // 2)
        shared = Shared(items)
        self._shared.set_result(shared)
        return shared


class Shared:
    """What is left to do, and what others have begun."""

    def __init__(self, items: Sequence[Hashable]) -> None:
        self._left = deque(items)
        self._begun: dict[Hashable, Told] = {}
        self._lock = Lock()

    def begun(self) -> tuple[Hashable, Told] | None:
        """Take the last item that nobody has begun; None without any."""
        with self._lock:
            if not self._left:
                return None
            item = self._left.pop()
            self._begun[item] = Future(), Future()
            return item, self._begun[item]

    def under_way(self, item: Hashable) -> bool:
        """Tell whether another process is at an item now."""
        with self._lock:
            return item in self._begun and not self._begun[item][1].done()

    def early(self, item: Hashable, *, wait: bool) -> Any | None:
        """Return what another process said of an item early on, None where it has said nothing."""
        with self._lock:
            begun = self._begun.get(item)
        if begun is None or not (wait or begun[0].done()):
            return None
        return begun[0].result()

    def answer(self, item: Hashable) -> Any | None:
        """Return what another process made of an item, and wait for it.

        None where nobody has begun with it, and nobody will then; and where no answer came, be it
        that the process ended or that the item cannot be worked on: who asked then does it and
        sees why.
        """
        with self._lock:
            if item in self._left:
                self._left.remove(item)
            begun = self._begun.pop(item, None)
        return None if begun is None else begun[1].result()


class _Helper:
    """A process, and the thread that hands it one item after another."""

    def __init__(self, begin: Begin, shared: Future[Shared]) -> None:
        self._process = _at_hand() or _Process("", IDLE_S)
        self._thread = Thread(target=self._attend, args=(begin, shared), daemon=True)
        self._thread.start()

    def _attend(self, begin: Begin, work: Future[Shared]) -> None:
        pipe = self._process.pipe
        with suppress(EOFError, OSError):  # it ended
            pipe.send(begin)
            pipe.recv()
            shared = work.result()
            while (begun := shared.begun()) is not None:
                item, told = begun
                try:
                    pipe.send(item)
                    for said in told:
                        said.set_result(pipe.recv())
                finally:
                    for said in told:
                        if not said.done():
                            said.set_result(None)

    def end(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        self._thread.join()
        self._process.pipe.close()


class _Process:
    """A process that loads a module, if it is named, and hears through its pipe what it is for."""

    def __init__(self, module: str, idle_s: float) -> None:
        context = get_context("spawn")
        self.pipe, other = context.Pipe()
        self._process = context.Process(target=_work, args=(other, module, idle_s), daemon=True)
        self._process.start()
        other.close()

    def kill(self) -> None:
        """End it, whatever it is doing."""
        self._process.kill()
        self._process.join()


_AT_HAND: list[_Process] = []
"""Those that nobody has told yet what they are for."""
_LOCK = Lock()


def make_ready(count: int, module: str, idle_s: float = IDLE_S) -> None:
    """Have so many processes at hand for the next `Beside`, with a module loaded.

    Those that it has no use for end with it; those that no work comes for, by themselves.
    """
    with _LOCK:
        while len(_AT_HAND) < count:
            _AT_HAND.append(_Process(module, idle_s))


def _at_hand() -> _Process | None:
    with _LOCK:
        return _AT_HAND.pop() if _AT_HAND else None


def _work(pipe: Connection, module: str, idle_s: float) -> None:
    """Work on what comes through the pipe until it is closed.

    Whatever goes wrong, who asked does the work itself, meets it there and tells of it.
    """
    # Ctrl-C reaches the whole group; who asked ends this process
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(Exception):
        if module:
            import_module(module)
        if not pipe.poll(idle_s):
            return
        begin: Begin = pipe.recv()
        with begin() as work:
            pipe.send(True)
            while True:
                said = work(pipe.recv())
                for _ in ("early on", "the answer"):
                    answer = None
                    with suppress(Exception):
                        answer = next(said)
                    pipe.send(answer)
                said.close()  # or it would hold what it worked on until the next item
