"""Take dumps in: bytes first, then the journal, then their readings, then what follows from them.

Each step survives a crash by itself and is found unfinished by the next call:
an original without a journal entry, an entry without readings, readings without derived tables.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ingest import durable, originals, store
from ingest.derive import refresh
from ingest.dumps import read_pending
from ingest.errors import plainly, why_not
from ingest.job import Job
from ingest.logs import log
from ingest.session import Session, writing

Progress = Callable[[int, int], None]
"""Called with (dumps done, dumps in all)."""
Origin = Literal["file", "serial", "page", "command"]

MOST_BYTES = 512 * 1024 * 1024


@dataclass(frozen=True)
class Receipt:
    """What became of one dump, for the person who brought it."""

    name: str
    sha256: str = ""
    outcome: Literal["taken", "again", "held", "refused"] = "taken"
    reason: str = ""
    """Why it is held or refused."""
    parser: str = ""
    balance: dict[str, int] = field(default_factory=dict)
    """One row of BALANCE without the dump's names; it closes."""
    faults: list[dict[str, Any]] = field(default_factory=list)
    questions: list[dict[str, Any]] = field(default_factory=list)
    failures: list[dict[str, Any]] = field(default_factory=list)
    todo: list[dict[str, Any]] = field(default_factory=list)
    """The first ten lines of the job's retest list, the same on every receipt of one take."""

    @property
    def needs_person(self) -> bool:
        """Tell whether somebody must do something about this dump."""
        return bool(
            self.outcome in ("held", "refused") or self.faults or self.questions or self.failures
        )


@dataclass(frozen=True)
class Arrived:
    """A dump whose bytes and journal entry are safe, or the reason why it is refused."""

    name: str
    sha256: str = ""
    new: bool = False
    refused: str = ""


def take(job: Job, paths: Iterable[Path], progress: Progress | None = None, by: str = "",
         origin: Origin = "command") -> list[Receipt]:  # fmt: skip
    """Take files in, read them, derive anew, and give a receipt for each."""
    arrived = []
    listed = list(paths)
    for done, path in enumerate(listed):
        if progress:
            progress(done, len(listed))
        arrived.append(receive_file(job, path, by, origin))
    read_pending(job)
    refresh(job)
    if progress:
        progress(len(listed), len(listed))
    return receipts(job, arrived)


def take_bytes(job: Job, data: bytes, name: str, origin: Origin, *, complete: bool = True,
               by: str = "") -> Receipt:  # fmt: skip
    """Take bytes in that did not come as a file: an upload or a serial capture."""
    arrived = receive(job, data, name, origin, complete, by)
    read_pending(job)
    refresh(job)
    return receipts(job, [arrived])[0]


def receive_file(job: Job, path: Path, by: str = "", origin: Origin = "command") -> Arrived:
    """Make one file's bytes and its journal entry safe; say why where it is refused."""
    try:
        found = path.lstat()
        if not stat.S_ISREG(found.st_mode):
            return Arrived(path.name, refused=f"{_what(found.st_mode)}, not a file")
        if found.st_size > MOST_BYTES:
            return Arrived(
                path.name,
                refused=f"{found.st_size} bytes; a dump has at most {MOST_BYTES}",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        return Arrived(path.name, refused="there is no such file")
    except OSError as error:
        return Arrived(path.name, refused=why_not(error))
    return receive(job, data, path.name, origin, by=by)


def _what(mode: int) -> str:
    kinds = ((stat.S_ISLNK, "a link"), (stat.S_ISDIR, "a folder"))
    return next((word for test, word in kinds if test(mode)), "a device or pipe")


def receive(job: Job, data: bytes, name: str, origin: Origin, complete: bool = True,
            by: str = "") -> Arrived:  # fmt: skip
    """Make bytes safe as an original, then journal their arrival.

    The original needs no lock: its name is its content. Order as in SQLite's atomic commit:
    content, flush, name, flush of the folder, and only then the record that it is there.
    """
    name = clean_name(name)
    with plainly(f"Keeping {name}"):
        sha256, new = originals.keep(job.originals, data)
    with writing(job, f"take {name}") as session:
        if new:
            read_again(session, sha256)
        return _journal_arrival(session, sha256, name, len(data), origin, complete, by)


def read_again(session: Session, sha256: str) -> None:
    """Let a dump that is held be read once more: its bytes were lost and came again."""
    with store.transaction(session.connection):
        session.connection.execute(
            "UPDATE dump SET state = 'new', tries = 0 WHERE state = 'held' AND sha256 = ?",
            (sha256,),
        )


def clean_name(name: str) -> str:
    """Keep the last part of a name as text that every system and the journal can hold."""
    last = re.split(r"[/\\]", name)[-1]
    text = last.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    return re.sub(r"[\x00-\x1f\x7f]", "?", text)[-200:] or "dump"


def _journal_arrival(session: Session, sha256: str, name: str, size: int, origin: str,
                     complete: bool, by: str) -> Arrived:  # fmt: skip
    known = session.connection.execute(
        "SELECT names, complete FROM dump WHERE sha256 = ?", (sha256,)
    ).fetchone()
    body = {
        "sha256": sha256, "name": name, "size": size, "origin": origin, "complete": complete,
    }  # fmt: skip
    session.record("arrival" if known is None else "arrived-again", body, by)
    return Arrived(name, sha256, known is None)


def sweep(job: Job) -> list[str]:
    """Finish what a crash left, read what is unread, derive; say what was found."""
    notes = enter_leftovers(job)
    read_pending(job)
    refresh(job)
    for note in notes:
        log.info(note)
    return notes


def enter_leftovers(job: Job) -> list[str]:
    """Enter originals that have no journal entry, remove unfinished files; say what was found."""
    notes: list[str] = []
    with writing(job, "sweep") as session:
        notes += session.notes
        with store.transaction(session.connection):
            session.connection.execute("UPDATE dump SET state = 'new' WHERE state = 'failed'")
        known = {r[0] for r in session.connection.execute("SELECT sha256 FROM dump").fetchall()}
        for sha256 in originals.listed(job.originals):
            if sha256 not in known:
                size = originals.path_of(job.originals, sha256).stat().st_size
                _journal_arrival(session, sha256, f"{sha256[:12]}.dump", size, "file", True, "")
                notes.append(f"The original {sha256[:12]} had no journal entry; entered.")
        for path in sorted(job.folder.rglob(f"{durable.TEMPORARY}*")):
            path.unlink()
            notes.append(f"An unfinished file was removed: {path.relative_to(job.folder)}.")
    return notes


def receipts(job: Job, arrived: Sequence[Arrived]) -> list[Receipt]:
    """Give the receipt of each dump as the store stands now."""
    from ingest import views

    todo = views.retests(job)[:10]
    out = []
    for one in arrived:
        if one.refused:
            out.append(Receipt(one.name, outcome="refused", reason=one.refused, todo=todo))
            continue
        found = views.dump(job, one.sha256)
        held = found["state"] != "taken"
        out.append(
            Receipt(
                one.name, one.sha256,
                "held" if held else "taken" if one.new else "again",
                found["reason"], found["parser"], found["balance"], found["faults"],
                found["questions"], found["failures"], todo,
            )
        )  # fmt: skip
    return out
