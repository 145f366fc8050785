"""The conversation with a meter over a line, as its profile has it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import re2

from ingest.journal import stamp
from ingest.line import Line
from parsers.talking import Poll, Talk

HEADING = b"Taken UTC\tSent\tAnswer\n"
MOST_SILENCES = 3
"""Queries in a row without an answer, after which a poll gives up."""


class NoAnswer(Exception):
    """The meter did not answer as the profile says; the message says what was waited for."""


@dataclass
class Talker:
    """Speaks a talk over a line and keeps what it heard."""

    line: Line
    talk: Talk
    seconds: Callable[[], float]
    """A clock that only runs forward."""
    now: Callable[[], datetime]
    stopped: Callable[[], bool] = lambda: False
    heard: bytearray = field(default_factory=bytearray)
    """Every byte that arrived."""
    _rest: bytes = b""

    def open(self) -> Iterator[bytes]:
        """Say the steps in turn; yield a row for each awaited answer. Raises NoAnswer."""
        for step in self.talk.step:
            self._say(step.send)
            if step.expect is not None:
                wanted = f"an answer to '{step.send}' like {step.expect}"
                answer = self._await(re2.compile(step.expect), step.within_s, wanted)
                yield self._row(step.send, answer)

    def ask(self, poll: Poll) -> bytes:
        """Send the query of a poll once; return the row of its answer. Raises NoAnswer."""
        self._say(poll.send)
        wanted = f"an answer to '{poll.send}'"
        return self._row(poll.send, self._await(re2.compile("."), poll.within_s, wanted))

    def silence(self, poll: Poll) -> bytes:
        """Return the row of a query that got no answer."""
        return self._row(poll.send, "")

    def overhear(self) -> Iterator[bytes]:
        """Wait a moment; yield a row for each line that came unasked."""
        self._hear()
        while (text := self._next()) is not None:
            if text:
                yield self._row("", text)

    def _say(self, text: str) -> None:
        self.line.write(text.encode(self.talk.encoding) + self.talk.ending)

    def _hear(self) -> None:
        data = self.line.read()
        self.heard += data
        self._rest += data

    def _next(self) -> str | None:
        """Take the next whole line of what was heard; None where there is none."""
        match = re.search(rb"\r\n|\r(?=.)|\n", self._rest, re.DOTALL)
        if match is None:
            return None
        line, self._rest = self._rest[: match.start()], self._rest[match.end() :]
        return self._text(line)

    def _text(self, line: bytes) -> str:
        return line.decode(self.talk.encoding, "replace").strip()

    def _await(self, pattern: Any, within_s: float, what: str) -> str:
        """Read lines until one fits; what follows it stays for later."""
        until = self.seconds() + within_s
        while True:
            while (text := self._next()) is not None:
                if pattern.search(text):
                    return text
            if self.seconds() >= until or self.stopped():
                # a line that ends in CR alone has no successor to tell that it is over
                last = self._text(self._rest)
                if self._rest.endswith(b"\r") and pattern.search(last):
                    self._rest = b""
                    return last
                raise NoAnswer(f"{what} did not come within {within_s:g} s")
            self._hear()

    def _row(self, sent: str, answer: str) -> bytes:
        cells = (re.sub(r"[\t\r\n]", " ", cell) for cell in (stamp(self.now()), sent, answer))
        return ("\t".join(cells) + "\n").encode()
