"""Work the figures out in a process of its own, so that pages answer while it reckons."""

from __future__ import annotations

import signal
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

from ingest import derive
from ingest.job import Job


class Away:
    """A process that brings a job's derived tables up to date; made once, kept warm."""

    def __init__(self) -> None:
        # a fork would inherit locks that other threads hold
        self._pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_begin)
        self._pool.submit(_ready)

    def __call__(self, folder: Path) -> None:
        """Bring the tables up to date and wait for it; raises what `ingest.derive.refresh` does."""
        try:
            self._pool.submit(_refresh, folder).result()
        except BrokenProcessPool:
            # memory ran out or somebody ended it; slower here, but the figures come
            _refresh(folder)

    def close(self) -> None:
        """Let the reckoning in hand end."""
        self._pool.shutdown(wait=True, cancel_futures=True)


def _begin() -> None:
    # Ctrl-C reaches the whole group; the page ends this process when its work is done
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _ready() -> None:
    """Make the process load what it needs before it is needed."""


def _refresh(folder: Path) -> None:
    token = derive.AWAY.set(None)
    try:
        derive.refresh(Job.open(folder))
    finally:
        derive.AWAY.reset(token)
