"""Take dumps in: bytes first, then the journal, then their readings, then what follows from them.

Each step survives a crash by itself and is found unfinished by the next call:
an original without a journal entry, an entry without readings, readings without derived tables.
"""

from __future__ import annotations

import json
import stat
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ingest import durable, frames, originals, plugins, readings, store
from ingest.derive import refresh
from ingest.errors import Trouble, plainly, why_not
from ingest.job import Job
from ingest.logs import log, write_bug
from ingest.session import Session, writing
from parsers import account, registry
from parsers.dump import Dump, Extract, Match
from rules import tables

Progress = Callable[[int, int], None]
"""Called with (dumps done, dumps in all)."""
Origin = Literal["file", "serial", "page", "command"]

MOST_BYTES = 512 * 1024 * 1024
MOST_TRIES = 3
"""A dump that makes a parser fail is tried this often, then waits for a person."""


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
    with plainly(f"Keeping {name}"):
        sha256, _ = originals.keep(job.originals, data)
    with writing(job, f"take {name}") as session:
        return _journal_arrival(session, sha256, name, len(data), origin, complete, by)


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
    """Finish what a crash left: enter originals without an entry, remove unfinished files.

    Gives one sentence for each thing found.
    """
    notes: list[str] = []
    with writing(job, "sweep") as session:
        notes += session.notes
        known = {r[0] for r in session.connection.execute("SELECT sha256 FROM dump").fetchall()}
        for sha256 in originals.listed(job.originals):
            if sha256 not in known:
                size = originals.path_of(job.originals, sha256).stat().st_size
                _journal_arrival(session, sha256, f"{sha256[:12]}.dump", size, "file", True, "")
                notes.append(f"The original {sha256[:12]} had no journal entry; entered.")
        for path in sorted(job.folder.rglob(f"{durable.TEMPORARY}*")):
            path.unlink()
            notes.append(f"An unfinished file was removed: {path.relative_to(job.folder)}.")
    read_pending(job)
    refresh(job)
    for note in notes:
        log.info(note)
    return notes


def read_pending(job: Job) -> None:
    """Read every dump whose readings are not in the store yet; never raise for a bad dump."""
    with writing(job, "read dumps") as session:
        pending = session.connection.execute(
            "SELECT id, sha256, name, names, arrived_at, origin, complete FROM dump "
            "WHERE state = 'new' ORDER BY arrived_at, sha256"
        ).fetchall()
    if not pending:
        return
    parsers = plugins.of_job(job)
    for id_, sha256, name, names, arrived_at, origin, complete in pending:
        try:
            data = originals.read(job.originals, sha256)
        except Trouble as trouble:
            result: _Result = _Held(str(trouble), ())
        else:
            dump = Dump(data, name, sha256, arrived_at, origin, bool(complete))
            result = _read(job, dump, parsers)
        with writing(job, f"store {name}") as session:
            state = session.connection.execute(
                "SELECT state FROM dump WHERE id = ?", (id_,)
            ).fetchone()
            if state == ("new",):  # else another process was faster
                _settle(session, id_, sha256, json.loads(names), result)


@dataclass(frozen=True)
class _Held:
    reason: str
    matches: tuple[tuple[str, Match], ...]
    bug: bool = False


@dataclass(frozen=True)
class _Read:
    parser: str
    version: int
    extract: Extract


_Result = _Held | _Read


def _read(job: Job, dump: Dump, parsers: plugins.Parsers) -> _Result:
    """Let the one parser that claims the dump read it; else say why it must wait."""
    if not dump.data.strip(b"\0 \t\r\n"):
        return _Held("the file is empty" if not dump.data else "the file holds only blanks", ())
    try:
        choice = registry.choose(dump, parsers.parsers)
        if choice.parser is None:
            return _Held(_undecided(choice), choice.matches)
        extract = choice.parser.parse(dump)
        lost = account.check(dump, extract)
        if lost:
            raise AssertionError(f"{choice.parser.name} does not account for {'; '.join(lost)}")
    except Exception:  # noqa: BLE001 our bug must not stop the next dump
        text = traceback.format_exc()
        path = write_bug(job.folder, text, dump.sha256)
        log.error("dump %s: %s", dump.sha256, text)
        return _Held(f"our error, written to logs/{path.name}", (), bug=True)
    return _Read(choice.parser.name, choice.parser.version, extract)


def _undecided(choice: registry.Choice) -> str:
    if choice.claims:
        return f"several profiles claim it: {', '.join(choice.claims)}"
    return "no profile claims it"


def _settle(session: Session, id_: int, sha256: str, names: list[str], result: _Result) -> None:
    """Store what a dump gave, or hold it with the reason."""
    connection = session.connection
    if isinstance(result, _Held):
        with store.transaction(connection):
            tries = connection.execute("SELECT tries FROM dump WHERE id = ?", (id_,)).fetchone()[0]
            again = result.bug and tries + 1 < MOST_TRIES
            connection.execute(
                "UPDATE dump SET state = ?, reason = ?, tries = tries + 1 WHERE id = ?",
                ("failed" if again else "held", result.reason, id_),
            )
            connection.execute("DELETE FROM meta WHERE key = 'derived'")
        _put_aside(session.job, sha256, names[0], result)
        return
    extract = result.extract
    faults = tables.conform(extract.faults, tables.FAULTS)
    context = tables.conform(extract.context, tables.CONTEXT)
    rows = tables.conform(extract.readings, tables.EXTRACTED)
    own = {k: v for k, v in tables.FAULTS.items() if not k.startswith("dump_")}
    spans = extract.accounts["end_line"] - extract.accounts["line"] + 1
    lines = {str(k): int(v) for k, v in spans.groupby(extract.accounts["kind"]).sum().items()}
    with store.transaction(connection):
        first, last, varying = readings.put(connection, id_, sha256, rows)
        frames.insert(connection, "fault", ["dump", *own],
                      [[id_] * len(faults), *frames.to_lists(faults, own)])  # fmt: skip
        said = frames.to_lists(context, tables.CONTEXT)
        frames.insert(
            connection, "context", ["dump", *tables.CONTEXT], [[id_] * len(context), *said]
        )
        connection.execute(
            "UPDATE dump SET state = 'taken', reason = '', parser = ?, parser_version = ?, "
            "first_row = ?, last_row = ?, varying = ?, lines = ?, questions = ?, "
            "tries = tries + 1 WHERE id = ?",
            (result.parser, result.version, first, last, varying, json.dumps(lines),
             json.dumps(extract.questions), id_),
        )  # fmt: skip
        connection.execute("DELETE FROM meta WHERE key = 'derived'")
    _release(session.job, sha256)


def _put_aside(job: Job, sha256: str, name: str, result: _Held) -> None:
    """Put a copy of a held dump where a person finds it, with the reasons beside it."""
    from ingest.planload import safe_name

    base = f"{sha256[:12]}-{safe_name(name)}"
    said = [f"{parser}: {match.level}, {match.reason}" for parser, match in result.matches]
    text = "\n".join([
        f"{name} is held: {result.reason}.", f"SHA-256 {sha256}", "",
        *(said or ["No profile was asked."]), "",
        "Its bytes are safe. What to do: glasstally profile draft on this file, or bring the "
        "profile that fits; held dumps are then read again by themselves.", "",
    ])  # fmt: skip
    with plainly("Writing to held/"):
        source = originals.path_of(job.originals, sha256)
        if source.exists():
            durable.write(job.held / base, source.read_bytes())
        durable.write(job.held / f"{base}.txt", text.encode())


def _release(job: Job, sha256: str) -> None:
    """Remove the copies of a dump that is held no longer."""
    for path in job.held.glob(f"{sha256[:12]}-*"):
        try:
            path.unlink()
        except OSError as error:  # an open file on Windows; the next sweep tries again
            log.info("held/%s stays for now: %s", path.name, error)


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
