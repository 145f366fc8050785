"""One writer at a time, across processes, with a message that says who is at work."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from ingest.errors import NotNow, plainly

WAIT_S = 60.0
"""How long a command waits for its turn; a turn takes seconds even on a large job."""


@contextmanager
def held(
    folder: Path, doing: str, since: str, wait_s: float | None = None, name: str = "writer"
) -> Iterator[None]:
    """Hold a lock of a job while the block runs; raise NotNow after the wait.

    `writer` lets one process write at a time, `derive` one evaluate; who needs both takes `derive`
    first.
    """
    lock = FileLock(folder / f"glasstally.{name}.lock")
    note = folder / f"glasstally.{name}"
    with plainly(f"Opening the job {folder.name} for writing"):
        try:
            lock.acquire(timeout=WAIT_S if wait_s is None else wait_s, poll_interval=0.02)
        except Timeout:
            raise NotNow(
                f"Another program is writing to this job: {_who(note)}. Try again when it is done."
            ) from None
    try:
        with suppress(OSError):  # only a courtesy to those who wait
            note.write_text(
                json.dumps({"process": os.getpid(), "doing": doing, "since": since}), "utf-8"
            )
        yield
    finally:
        with suppress(OSError):
            note.unlink()
        lock.release()


def _who(note: Path) -> str:
    try:
        said = json.loads(note.read_text("utf-8"))
        return f"process {said['process']} ({said['doing']}, since {said['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "its name is not known"
