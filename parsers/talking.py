"""Part `talk` of a profile: what is said to a meter over a serial line before it dumps.

Neutral: every word comes from the profile. Plain queries after IEEE 488.2 / SCPI-1999 (`*IDN?`, a
reading query) need no more than `step` and `poll`.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from parsers.profile_parts import Closed, Pattern

Words = Annotated[str, StringConstraints(max_length=200)]
Seconds = Annotated[float, Field(gt=0, le=600)]


class Step(Closed):
    """One line sent, and the answer that must come before the next."""

    send: Words
    expect: Pattern | None = None
    """What one answer line must match; lines before it are kept and passed over."""
    within_s: Seconds = 5.0


class Poll(Closed):
    """A query sent again and again; each answer line becomes a row of the capture.

    The capture then is a table parted by tabs with the heading `Taken UTC`, `Sent`, `Answer`.
    """

    send: Annotated[Words, StringConstraints(min_length=1)]
    every_s: Seconds = 1.0
    within_s: Seconds = 2.0
    count: Annotated[int, Field(ge=0)] = 0
    """Answers after which the capture is complete; 0: until stopped."""


class Talk(Closed):
    """The conversation of a profile."""

    line_end: Literal["cr", "lf", "crlf", "none"] = "crlf"
    """Put after every line sent. Answer lines end at CR, LF or both."""
    encoding: Literal["ascii", "latin-1", "utf-8"] = "ascii"
    step: list[Step] = Field(default=[], max_length=20)
    poll: Poll | None = None
    end_mark: Words = ""
    """Text that ends the dump; empty: by the port's own rule."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.step and self.poll is None:
            raise ValueError("talk needs a step or a poll")
        try:
            for text in [*(step.send for step in self.step), self.poll.send if self.poll else ""]:
                text.encode(self.encoding)
        except UnicodeEncodeError as error:
            raise ValueError(f"'{error.object}' cannot be sent as {self.encoding}") from None
        return self

    @property
    def ending(self) -> bytes:
        """The bytes after every line sent."""
        return {"cr": b"\r", "lf": b"\n", "crlf": b"\r\n", "none": b""}[self.line_end]
