"""Who may come in: the secret of the opened address, sessions, and a brake on guessing."""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

SECRET_BYTES = 24
WRONG_TRIES = 5
"""Wrong tokens within `BRAKE_SECONDS`, from anybody, before the door stays shut for a while."""
BRAKE_SECONDS = 60.0
SESSION_SECONDS = 16 * 3600.0
"""A long working day; afterwards the address or token is asked for again."""
MOST_SESSIONS = 64


class Braked(Exception):
    """Too many wrong tokens; try again later."""


@dataclass
class Visitor:
    """One browser that came in: who sits there, and the token of its forms."""

    name: str
    form_token: str
    since: float
    words: list[str] = field(default_factory=list)
    """Sentences to show once, on the next page."""
    last_answer: tuple[str, ...] = ()
    """Ids of what the newest answer given here journalled, for undo."""


class Door:
    """Keeps the secret and the sessions of one running page."""

    def __init__(
        self, *, named: bool, secret: str = "", clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.named = named
        """Whether visitors must say who they are (the page is shared)."""
        self.secret = secret or secrets.token_urlsafe(SECRET_BYTES)
        self._clock = clock
        self._visitors: dict[str, Visitor] = {}
        self._wrong: deque[float] = deque()
        self._lock = threading.Lock()

    def enter(self, secret: str, name: str) -> str:
        """Return a new session's id, or an empty string for a wrong secret; raise Braked."""
        with self._lock:
            now = self._clock()
            while self._wrong and now - self._wrong[0] > BRAKE_SECONDS:
                self._wrong.popleft()
            if len(self._wrong) >= WRONG_TRIES:
                raise Braked
            if not hmac.compare_digest(secret.encode(), self.secret.encode()):
                self._wrong.append(now)
                return ""
            for old in [key for key, v in self._visitors.items() if self._expired(v, now)]:
                del self._visitors[old]
            if len(self._visitors) >= MOST_SESSIONS:
                del self._visitors[min(self._visitors, key=lambda k: self._visitors[k].since)]
            session = secrets.token_urlsafe(SECRET_BYTES)
            self._visitors[session] = Visitor(name, secrets.token_urlsafe(SECRET_BYTES), now)
            return session

    def visitor(self, session: str) -> Visitor | None:
        """Return who belongs to a session's id."""
        with self._lock:
            # dict lookup of a random 192-bit key: nothing to learn from its timing
            found = self._visitors.get(session)
            return None if found is None or self._expired(found, self._clock()) else found

    def _expired(self, visitor: Visitor, now: float) -> bool:
        return now - visitor.since > SESSION_SECONDS
