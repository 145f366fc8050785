"""What was worked out once per state of the store, kept until the store changes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")
MOST_KEPT = 512


class Shelf:
    """Keeps results by key for one mark of the store; two who ask at once compute once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._mark = ""
        self._kept: dict[Hashable, Any] = {}
        self._busy: dict[Hashable, threading.Lock] = {}

    def get(self, mark: str, key: Hashable, make: Callable[[], T]) -> T:
        """Return what `make` gives for this mark of the store, from the shelf if it is there."""
        with self._lock:
            if mark != self._mark:
                self._mark, self._kept, self._busy = mark, {}, {}
            if key in self._kept:
                found: T = self._kept[key]
                return found
            busy = self._busy.setdefault(key, threading.Lock())
        with busy:
            with self._lock:
                kept = self._mark == mark and key in self._kept
                made = self._kept[key] if kept else None
            if kept:
                return made  # type: ignore[return-value]
            made = make()
            with self._lock:
                if self._mark == mark:
                    if len(self._kept) >= MOST_KEPT:
                        self._kept.pop(next(iter(self._kept)))
                    self._kept[key] = made
            return made
