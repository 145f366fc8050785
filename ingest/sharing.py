"""Who evaluates: this process, some beside it (`ingest.beside`), or another one altogether."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar
from pathlib import Path

from ingest import beside, changes

HELPERS = 3
"""Processes that evaluate beside this one, at most: what this one does alone sets the pace then."""
EACH_GB = 0.6
"""Memory that each of them takes at a plan of 250 000 links, measured."""
AWAY: ContextVar[Callable[[Path], None] | None] = ContextVar("away", default=None)
"""What is handed a job's folder (`derive.refresh`) instead of evaluating in this process."""


def most() -> int:
    """Return how many processes may evaluate beside this one."""
    return min(beside.spare(EACH_GB), HELPERS)


def worth(readings: int) -> int:
    """Return how many of them are worth it: one for as many readings as are evaluated at once."""
    return max(readings, 0) // changes.TOGETHER


def expect(readings: int) -> None:
    """Let processes load meanwhile, as so many readings will soon be evaluated."""
    count = worth(readings)
    if count and AWAY.get() is None:
        beside.make_ready(min(count, most()), "ingest.derive")
