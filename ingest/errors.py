"""What can go wrong with a job, as three kinds that the desk turns into exit codes."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager


class Trouble(Exception):
    """Something a person can act on; `lines` are complete sentences, one per problem."""

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


class BadInput(Trouble):
    """The command, job.toml, a plan or a run sheet is wrong; nothing was changed."""


class Damaged(Trouble):
    """What the job keeps is not as it was written; `verify` says where and what still holds."""


class NotNow(Trouble):
    """Disk, permission, lock or port stands in the way; the same command works later."""


_SPACE = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})


def why_not(error: OSError) -> str:
    """Say in words why the system refused a file, and what to do."""
    if error.errno in _SPACE:
        return "the disk is full; free some space and run the same command again"
    if error.errno in _FORBIDDEN:
        return "the system gives no permission; check who owns the folder and whether it is locked"
    if error.errno == errno.EIO:
        return "the disk reports an input/output error; copy the job to another disk"
    return f"the system said: {error.strerror or error}"


@contextmanager
def plainly(doing: str) -> Iterator[None]:
    """Turn file and database errors inside the block into one clear `NotNow` or `Damaged`."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_trouble(doing, error) from error
    except OSError as error:
        raise NotNow(f"{doing}: {why_not(error)}.") from error


def store_trouble(doing: str, error: sqlite3.Error) -> Trouble:
    """Say in words what SQLite refused; what it says of a bug of ours is raised as it is."""
    if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
        raise error
    text = str(error).lower()
    if "malformed" in text or "not a database" in text or "corrupt" in text:
        return Damaged(
            f"{doing}: the database is damaged ({error}).",
            "The journal and the originals hold everything: run `glasstally rebuild`.",
        )
    if "locked" in text or "busy" in text:
        return NotNow(f"{doing}: another program is writing to this job; try again in a moment.")
    if "full" in text:
        return NotNow(f"{doing}: the disk is full; free some space and run the same command again.")
    if "readonly" in text or "unable to open" in text or "disk i/o" in text:
        return NotNow(f"{doing}: the database cannot be written here ({error}).")
    return Damaged(f"{doing}: the database answered: {error}.")
