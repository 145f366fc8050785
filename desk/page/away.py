"""Work the figures out in a process of its own, so that pages answer while it reckons."""

from __future__ import annotations

import os
import signal
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import active_children, get_context
from pathlib import Path

from ingest import derive, sharing
from ingest.job import Job


class Away:
    """A process that brings a job's derived tables up to date; made once, kept warm."""

    def __init__(self) -> None:
        # a fork would inherit locks that other threads hold
        self._pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_begin)
        self._pid = self._pool.submit(os.getpid)
        self._stopped = False

    def __call__(self, folder: Path) -> None:
        """Bring the tables up to date and wait for it; raises what `ingest.derive.refresh` does.

        Once stopped it leaves them as they are: whoever opens the job next brings them up to date.
        """
        if self._stopped:
            return
        try:
            self._pool.submit(_refresh, folder).result()
        except BrokenProcessPool:
            # memory ran out or somebody ended it; slower here, but the figures come
            if not self._stopped:
                _refresh(folder)

    def stop(self) -> None:
        """Throw away the reckoning in hand: what is kept stays, and it can be done again."""
        self._stopped = True
        with suppress(BrokenProcessPool):
            pid = self._pid.result()
            for child in active_children():
                if child.pid == pid:
                    child.kill()

    def close(self) -> None:
        """Let the process end."""
        self._pool.shutdown(wait=True, cancel_futures=True)


def _begin() -> None:
    # Ctrl-C reaches the whole group; the page ends this process when its work is done
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _refresh(folder: Path) -> None:
    token = sharing.AWAY.set(None)
    try:
        derive.refresh(Job.open(folder))
    finally:
        sharing.AWAY.reset(token)
