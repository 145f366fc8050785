"""Run a command line in this process."""

from __future__ import annotations

import io
from contextlib import redirect_stderr, redirect_stdout

from desk.main import build
from desk.terminal import guarded


def command(*words: object) -> tuple[int, str]:
    """Give the exit code and what was printed, errors included."""
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        code = guarded(lambda: build()([str(word) for word in words], standalone_mode=True))
    return int(code), said.getvalue()
