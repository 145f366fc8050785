"""Watch the drop folder and the job's serial ports until stopped.

File events only wake the sweep; the sweep alone decides what is taken, so that a lost event loses
nothing, and so that a network share, which gives no events, works as well. The same sweep runs at
the start.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from typing import Any

from ingest import beat, capture, intake, journal
from ingest.derive import refresh
from ingest.dropfolder import Drop
from ingest.dumps import read_pending
from ingest.errors import NotNow, Trouble
from ingest.intake import Arrived, Receipt
from ingest.job import Job
from ingest.jobfile import Port
from ingest.line import Line, SerialLine, Setting
from ingest.logs import log, write_bug
from ingest.plugins import talk_of

POLL_S = 5.0
"""Longest time between two sweeps while events work."""
PORT_AGAIN_S = 5.0
"""Pause before a port that could not be opened is tried again."""


@dataclass
class Watch:
    """One watching process."""

    job: Job
    tell: Callable[[str], None]
    """Prints one line for people."""
    on_receipt: Callable[[Receipt], None]
    poll: bool = False
    """Sweep on time alone, without file events: for network shares."""
    seconds: Callable[[], float] = time.monotonic
    stop: threading.Event = field(default_factory=threading.Event)
    wake: threading.Event = field(default_factory=threading.Event)
    counts: Counter[str] = field(default_factory=Counter)
    ports: dict[str, dict[str, str]] = field(default_factory=dict)
    """How each port is, as the heartbeat says it."""

    def run(self) -> None:
        """Sweep until `stop` is set; the dump in hand is always finished."""
        self._safely(self._begin)
        drop = Drop(self.job, self.job.file.settle_seconds, self.seconds, self.tell)
        with ExitStack() as stack:
            self._observe(stack)
            threads = [self._serve(port) for port in self.job.file.ports]
            try:
                while not self.stop.is_set():
                    self.step(drop)
                    settle = self.job.file.settle_seconds if drop.waiting else POLL_S
                    self.wake.wait(min(max(settle, 0.1), POLL_S))
                    self.wake.clear()
            finally:
                self.stop.set()
                for thread in threads:
                    thread.join()
                beat.end(self.job.folder)

    def step(self, drop: Drop) -> None:
        """Do one sweep: take what is ready, read it, derive once, tell of each dump."""
        self._beat()
        self._safely(lambda: self._sweep(drop))

    def _begin(self) -> None:
        """Finish what a crash or a power cut left."""
        for note in intake.sweep(self.job):
            self.tell(note)
        for receipt in capture.leftovers(self.job):
            self.tell(f"{receipt.name}: a capture that was cut off is taken as incomplete")
            self._count(receipt)

    def _sweep(self, drop: Drop) -> None:
        arrived: list[Arrived] = []
        try:
            for one in drop.sweep(self.stop.is_set):
                arrived.append(one)
                self._beat()
        finally:
            if arrived:
                read_pending(self.job)
                refresh(self.job)
                for receipt in intake.receipts(self.job, arrived):
                    self._count(receipt)

    def _safely(self, do: Callable[[], None]) -> None:
        """Do a part of the watch; say what stood in its way, and let the watch go on."""
        try:
            do()
        except Trouble as trouble:
            # what is safe stays safe; the next sweep goes on from there
            self.tell(str(trouble))
            log.warning("%s", trouble)
        except Exception:  # noqa: BLE001 a bug in what follows must not keep dumps from safety
            path = write_bug(self.job.folder, traceback.format_exc())
            self.tell(f"Our error, written to logs/{path.name}; dumps are taken on.")

    def _count(self, receipt: Receipt) -> None:
        self.counts[receipt.outcome] += 1
        self.on_receipt(receipt)

    def _beat(self) -> None:
        now = journal.stamp(self.job.clock())
        beat.leave(self.job.folder, now, self.job.inbox, self.ports)

    def _observe(self, stack: ExitStack) -> None:
        """Let file events wake the sweep; say so where the system gives none."""
        if self.poll:
            return
        from watchdog.events import FileSystemEventHandler
        from watchdog.observers import Observer

        class Wake(FileSystemEventHandler):
            def on_any_event(_self, _event: Any) -> None:  # noqa: N805
                self.wake.set()

        observer = Observer()
        try:
            observer.schedule(Wake(), str(self.job.inbox), recursive=True)
            observer.start()
        except OSError as error:
            self.tell(f"The system gives no file events ({error}); looking every {POLL_S:g} s.")
            return
        stack.callback(observer.join)
        stack.callback(observer.stop)

    def _port_is(self, port: Port, state: str, words: str = "") -> None:
        """Remember how a port is, and wake the heartbeat to say so."""
        self.ports[port.port] = {"state": state, "words": words}
        self.wake.set()

    def _serve(self, port: Port) -> threading.Thread:
        self._port_is(port, "closed")
        thread = threading.Thread(target=self._listen, args=(port,), name=f"port {port.port}")
        thread.start()
        return thread

    def _listen(self, port: Port) -> None:
        """Take one capture after another from a port, until stopped."""
        said = ""
        while not self.stop.is_set():
            try:
                with SerialLine(setting(port)) as line:
                    self._port_is(port, "open")
                    if said:
                        self.tell(f"{port.port}: open again")
                        said = ""
                    while not self.stop.is_set():
                        if not self._one(port, line):
                            break
            except Trouble as trouble:
                if str(trouble) != said:
                    said = str(trouble)
                    self.tell(said)
                self._port_is(port, "closed", said)
                self.stop.wait(PORT_AGAIN_S)
            except Exception:  # noqa: BLE001 a port must not end the watch
                log.exception("port %s", port.port)
                self.tell(f"{port.port}: our error, written to the log; the port is tried again")
                self.stop.wait(PORT_AGAIN_S)

    def _one(self, port: Port, line: Line) -> bool:
        """Take one capture; give False where the line was lost."""
        done = listen(self.job, port, line, self.stop.is_set)
        if done is None:
            return True
        captured, receipt = done
        words = f"{len(captured.data)} bytes, {captured.why}"
        self.tell(f"{port.port}: {words}")
        self._count(receipt)
        self._port_is(port, "open", words)
        return captured.ended != "lost"


def setting(port: Port) -> Setting:
    """Give how a port of job.toml is opened."""
    return Setting(port.port, port.speed, port.bits, port.parity, port.stop_bits, port.flow)


def end_of(port: Port) -> capture.End:
    """Give how a capture of a port of job.toml ends."""
    mark = port.end_mark.encode().decode("unicode_escape").encode("latin-1")
    return capture.End(mark, port.count, port.quiet_s, port.quiet_is_whole)


def listen(
    job: Job, port: Port, line: Line, stopped: Callable[[], bool], *, stop_is_whole: bool = False
) -> tuple[capture.Captured, Receipt] | None:
    """Take one capture from an open line; None where nothing came before it was stopped."""
    end = replace(end_of(port), stop_is_whole=stop_is_whole)
    with capture.recording(job, port.port) as recorder:
        captured = capture.capture(
            line, end, recorder, talk=talk_of(job, port.profile), now=job.clock, stopped=stopped
        )
    if not captured.data:
        capture.discard(recorder.path)
        if captured.ended in ("lost", "no-answer"):
            raise NotNow(f"{port.port}: {captured.why}.")
        return None
    return captured, capture.store(job, recorder.path, captured)
