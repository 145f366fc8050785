"""Figures that take long to compute: shown as they were until those of the new state are there."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as StillRunning
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from desk.page.shelf import Shelf

T = TypeVar("T")
D = TypeVar("D")
WAIT_SECONDS = 0.03
"""How long a page waits for new figures before it shows the earlier ones: hardly felt."""


@dataclass(frozen=True)
class Figures(Generic[T]):
    """What was computed, and for which state of the store: whoever shows it says so."""

    mark: str
    value: T
    _drawn: Shelf = field(default_factory=Shelf, repr=False, compare=False)

    def draw(self, key: Hashable, make: Callable[[], D]) -> D:
        """Return what `make` draws of these figures, drawn once."""
        return self._drawn.get(self.mark, key, make)


class Ahead:
    """Computes figures off the request, one after another, and keeps the newest of each key."""

    def __init__(self, mark: Callable[[], str], wait: float = WAIT_SECONDS) -> None:
        self.wait = wait
        self._mark = mark
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="glasstally-figures")
        self._kept: dict[Hashable, Figures[Any]] = {}
        self._coming: dict[Hashable, Future[Any]] = {}

    def now(self, key: Hashable, make: Callable[[], T]) -> Figures[T]:
        """Return the figures of the present state."""
        # the mark is taken first: figures may be newer than it says, never older
        mark = self._mark()
        kept = self._kept.get(key)
        if kept is None or kept.mark != mark:
            kept = self._kept[key] = Figures(mark, make())
        return kept

    def begin(self, key: Hashable, make: Callable[[], T]) -> Future[Figures[T]]:
        """Have figures computed, unless that is under way already."""
        coming = self._coming.get(key)
        if coming is None or coming.done():
            coming = self._coming[key] = self._pool.submit(self.now, key, make)
        return coming

    def glance(
        self, key: Hashable, make: Callable[[], T], enough: Callable[[T], bool], *, settled: bool
    ) -> Figures[T]:
        """Return the figures of the present state if they are soon there, else the newest kept.

        Earlier figures that are not `enough` are not shown; while the state is not `settled`,
        others are not computed.
        """
        kept: Figures[T] | None = self._kept.get(key)
        if kept is None or not enough(kept.value):
            return self.now(key, make)
        if settled and kept.mark != self._mark():
            with suppress(StillRunning):
                return self.begin(key, make).result(self.wait)
        return kept

    def behind(self) -> bool:
        """Tell whether any kept figures are of an earlier state."""
        mark = self._mark()
        return any(figures.mark != mark for figures in list(self._kept.values()))

    def close(self) -> None:
        """Let what is being computed end."""
        self._pool.shutdown(wait=True, cancel_futures=True)
