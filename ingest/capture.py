"""One serial capture: raw bytes to disk as they come, until it ends as agreed or otherwise."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from filelock import FileLock, Timeout

from ingest.errors import plainly
from ingest.intake import Receipt, take_bytes
from ingest.job import Job
from ingest.line import Line, LineLost
from ingest.talk import HEADING, MOST_SILENCES, NoAnswer, Talker
from parsers.talking import Talk

Ended = Literal["mark", "count", "quiet", "stopped", "lost", "no-answer"]
_WORDS = {
    "mark": "the end mark came",
    "count": "the agreed number of lines came",
    "quiet": "the line went quiet",
    "stopped": "it was stopped",
    "lost": "the line was lost",
    "no-answer": "the meter did not answer",
}
_FLUSH_S = 0.5
RAW = ".line-"
"""Name of a raw capture in the drop folder until it is taken."""


@dataclass(frozen=True)
class End:
    """How a capture ends: a mark, a number of lines, or silence; with a mark or number, silence
    ends it too, but as incomplete."""

    mark: bytes = b""
    lines: int = 0
    quiet_s: float = 3.0
    quiet_is_whole: bool = False
    """A person's word that silence means the end."""
    stop_is_whole: bool = False
    """A person's word that stopping means the end."""

    def whole(self, ended: Ended) -> bool:
        """Tell whether a capture that ended so is complete."""
        by_word = (ended == "quiet" and self.quiet_is_whole) or (
            ended == "stopped" and self.stop_is_whole
        )
        return ended in ("mark", "count") or by_word


@dataclass(frozen=True)
class Captured:
    """A capture that ended."""

    data: bytes
    ended: Ended
    complete: bool
    why: str


@dataclass
class Recorder:
    """Writes what arrives to `path` before anybody looks at it."""

    path: Path
    seconds: Callable[[], float] = time.monotonic

    def __post_init__(self) -> None:
        self._file = self.path.open("ab")
        self._flushed = self.seconds()
        self.data = bytearray(self.path.read_bytes())

    def keep(self, data: bytes) -> None:
        """Add bytes to the raw capture."""
        if not data:
            return
        self._file.write(data)
        # others look at what comes in while it comes
        self._file.flush()
        self.data += data
        if self.seconds() - self._flushed > _FLUSH_S:
            self.flush()

    def flush(self) -> None:
        """Bring everything to the disk."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._flushed = self.seconds()

    def close(self) -> None:
        """Flush and close."""
        with suppress(OSError):
            self.flush()
        self._file.close()


def capture(line: Line, end: End, recorder: Recorder, *, talk: Talk | None = None,
            seconds: Callable[[], float] = time.monotonic,
            now: Callable[[], datetime] = datetime.now,
            stopped: Callable[[], bool] = lambda: False) -> Captured:  # fmt: skip
    """Read one dump from a line into `recorder`; wait for its first byte without end."""
    why = ""
    try:
        ended: Ended
        if talk is not None and talk.poll is not None:
            ended = _poll(Talker(line, talk, seconds, now, stopped), recorder, stopped, seconds)
        else:
            if talk is not None:
                end = _with_mark(end, talk)
                _opening(Talker(line, talk, seconds, now, stopped), recorder)
            ended = _listen(line, end, recorder, stopped, seconds)
    except LineLost as error:
        ended, why = "lost", f": {error}"
    except NoAnswer as error:
        ended, why = "no-answer", f": {error}"
    recorder.flush()
    return Captured(bytes(recorder.data), ended, end.whole(ended), _WORDS[ended] + why)


def _with_mark(end: End, talk: Talk) -> End:
    if not talk.end_mark:
        return end
    return End(talk.end_mark.encode(talk.encoding), end.lines, end.quiet_s)


def _opening(talker: Talker, recorder: Recorder) -> None:
    """Say the steps; whatever was heard is part of the dump, also when an answer fails."""
    try:
        for _ in talker.open():
            pass
    finally:
        recorder.keep(bytes(talker.heard))


def _listen(line: Line, end: End, recorder: Recorder, stopped: Callable[[], bool],
            seconds: Callable[[], float]) -> Ended:  # fmt: skip
    """Read until the end rule fits, the line is quiet, or someone stops it."""
    last = seconds()
    looked = 0
    breaks = 0
    while True:
        if stopped():
            return "stopped"
        data = line.read()
        if data:
            last = seconds()
            recorder.keep(data)
        held = recorder.data
        # only what is new, and as much before it as the mark could have begun in
        if end.mark and held.find(end.mark, max(0, looked - len(end.mark) + 1)) >= 0:
            return "mark"
        if end.lines and len(held) > looked:
            breaks += held.count(b"\n", looked)
            if breaks >= end.lines:
                return "count"
        looked = len(held)
        if held and seconds() - last >= end.quiet_s:
            return "quiet"


def _poll(talker: Talker, recorder: Recorder, stopped: Callable[[], bool],
          seconds: Callable[[], float]) -> Ended:  # fmt: skip
    """Ask again and again; every answer is a row of the capture."""
    poll = talker.talk.poll
    assert poll is not None
    recorder.keep(HEADING)
    for row in talker.open():
        recorder.keep(row)
    due, answers, silences = seconds(), 0, 0
    while not stopped():
        if seconds() < due:
            for row in talker.overhear():
                recorder.keep(row)
            continue
        due += poll.every_s
        try:
            recorder.keep(talker.ask(poll))
        except NoAnswer:
            recorder.keep(talker.silence(poll))
            silences += 1
            if silences >= MOST_SILENCES:
                raise
            continue
        answers, silences = answers + 1, 0
        if poll.count and answers >= poll.count:
            return "count"
    return "stopped"


def raw_name(port: str, moment: datetime) -> str:
    """Name a raw capture after its port and time, legal on every system."""
    return f"{RAW}{place_of(port)}-{moment:%Y%m%d-%H%M%S}.raw"


def place_of(port: str) -> str:
    """Give how a port stands in the names of its captures."""
    return re.sub(r"[^\w-]+", "-", port).strip("-")[-40:] or "line"


@contextmanager
def recording(
    job: Job, port: str, seconds: Callable[[], float] = time.monotonic
) -> Iterator[Recorder]:
    """Open a raw capture that no sweep takes for a leftover while it is written."""
    path = job.inbox / raw_name(port, job.clock())
    with FileLock(f"{path}.lock"), plainly(f"Writing {path.name}"):
        recorder = Recorder(path, seconds)
        try:
            yield recorder
        finally:
            recorder.close()


def store(job: Job, path: Path, captured: Captured) -> Receipt:
    """Take a capture in as a dump, then remove its raw file."""
    name = path.name.removeprefix(RAW).removesuffix(".raw") + ".txt"
    receipt = take_bytes(job, captured.data, name, "serial", complete=captured.complete)
    discard(path)
    return receipt


def leftovers(job: Job) -> list[Receipt]:
    """Take in raw captures whose program ended before it could; they are incomplete."""
    out = []
    for path in sorted(job.inbox.glob(f"{RAW}*.raw")):
        lock = FileLock(f"{path}.lock")
        try:
            lock.acquire(timeout=0)
        except Timeout:
            continue  # somebody is listening right now
        try:
            data = path.read_bytes()
            if data:
                out.append(store(job, path, Captured(data, "lost", False, "")))
            else:
                discard(path)
        finally:
            lock.release()
            with suppress(OSError):
                Path(f"{path}.lock").unlink()
    return out


def discard(path: Path) -> None:
    """Remove a raw capture whose bytes are taken, or that has none."""
    for name in (str(path), f"{path}.lock"):
        with suppress(OSError):
            Path(name).unlink()
