"""From the bytes of a dump to its rows in the store, or to the reason why it must wait."""

from __future__ import annotations

import json
import sqlite3
import traceback
from dataclasses import dataclass
from typing import Any

from ingest import durable, frames, originals, plugins, readings, sharing, store
from ingest.errors import Trouble, plainly
from ingest.job import Job
from ingest.logs import log, write_bug
from ingest.planload import safe_name
from ingest.session import writing
from parsers import account, registry
from parsers.dump import Dump, Extract, Match
from rules import tables

MOST_TRIES = 3
"""A dump that makes a parser fail is tried this often, then waits for a person."""


@dataclass(frozen=True)
class Held:
    """A dump that must wait for a person."""

    reason: str
    matches: tuple[tuple[str, Match], ...] = ()
    bug: str = ""
    """The traceback where the reason is an error of ours."""


@dataclass(frozen=True)
class Read:
    """A dump that one parser claimed and read."""

    parser: str
    version: int
    extract: Extract


def read_pending(job: Job) -> None:
    """Read every dump whose readings are not in the store yet; never raise for a bad dump.

    Reading happens outside the writer's lock; whoever stores a dump first wins.
    """
    with writing(job, "read dumps") as session:
        waiting = pending(session.connection)
    if not waiting:
        return
    parsers = plugins.of_job(job)
    found = 0
    for row in waiting:
        result = read(job, row, parsers)
        if isinstance(result, Read):
            found += len(result.extract.readings)
            sharing.expect(found)  # what is read is evaluated next
        with writing(job, f"store {row['name']}") as session:
            if settle(session.connection, row, result):
                _show(job, row, result)


def pending(connection: sqlite3.Connection) -> list[dict[str, Any]]:
    """List the dumps that wait to be read, in order of arrival."""
    names = ("id", "sha256", "name", "arrived_at", "origin", "complete")
    rows = connection.execute(
        f"SELECT {', '.join(names)} FROM dump WHERE state = 'new' ORDER BY arrived_at, sha256"
    ).fetchall()
    return [dict(zip(names, row, strict=True)) for row in rows]


def read(job: Job, row: dict[str, Any], parsers: plugins.Parsers) -> Held | Read:
    """Let the one parser that claims the dump read it; else say why it must wait."""
    try:
        data = originals.read(job.originals, row["sha256"])
    except Trouble as trouble:
        return Held(str(trouble).rstrip("."))
    if not data.strip(b"\0 \t\r\n"):
        return Held("the file is empty" if not data else "the file holds nothing but blanks")
    dump = Dump(
        data, row["name"], row["sha256"], row["arrived_at"], row["origin"], bool(row["complete"])
    )
    try:
        choice = registry.choose(dump, parsers.parsers)
        if choice.parser is None:
            return Held(_undecided(choice), choice.matches)
        extract = choice.parser.parse(dump)
        lost = account.check(dump, extract)
        if lost:
            raise AssertionError(f"{choice.parser.name} does not account for {'; '.join(lost)}")
    except Exception:  # noqa: BLE001 our bug must not stop the next dump
        return Held("our error", bug=traceback.format_exc())
    return Read(choice.parser.name, choice.parser.version, extract)


def _undecided(choice: registry.Choice) -> str:
    if choice.claims:
        return f"several profiles claim it: {', '.join(choice.claims)}"
    return "no profile claims it"


def settle(connection: sqlite3.Connection, row: dict[str, Any], result: Held | Read) -> bool:
    """Store what a dump gave, or why it waits; give False where another process did it first."""
    with store.transaction(connection):
        state = connection.execute("SELECT state FROM dump WHERE id = ?", (row["id"],)).fetchone()
        if state != ("new",):
            return False
        if isinstance(result, Held):
            _hold(connection, row["id"], result)
        else:
            _keep(connection, row["id"], row["sha256"], result)
        connection.execute("DELETE FROM meta WHERE key = 'derived'")
    return True


def _hold(connection: sqlite3.Connection, id_: int, result: Held) -> None:
    connection.execute(
        "UPDATE dump SET state = CASE WHEN ? AND tries + 1 < ? THEN 'failed' ELSE 'held' END, "
        "reason = ?, tries = tries + 1 WHERE id = ?",
        (bool(result.bug), MOST_TRIES, result.reason, id_),
    )


def _keep(connection: sqlite3.Connection, id_: int, sha256: str, result: Read) -> None:
    extract = result.extract
    rows = tables.conform(extract.readings, tables.EXTRACTED)
    spans = extract.accounts["end_line"] - extract.accounts["line"] + 1
    lines = {str(k): int(v) for k, v in spans.groupby(extract.accounts["kind"]).sum().items()}
    first, last, varying = readings.put(connection, id_, sha256, rows)
    own = {k: v for k, v in tables.FAULTS.items() if not k.startswith("dump_")}
    for name, frame, columns in (
        ("fault", extract.faults, own), ("context", extract.context, tables.CONTEXT),
    ):  # fmt: skip
        rows = tables.conform(frame, columns)
        frames.insert(connection, name, rows, columns, {"dump": [id_] * len(rows)})
    connection.execute(
        "UPDATE dump SET state = 'taken', reason = '', parser = ?, parser_version = ?, "
        "first_row = ?, last_row = ?, varying = ?, lines = ?, questions = ?, tries = tries + 1 "
        "WHERE id = ?",
        (
            result.parser, result.version, first, last, varying, json.dumps(lines),
            json.dumps(extract.questions), id_,
        ),
    )  # fmt: skip


def _show(job: Job, row: dict[str, Any], result: Held | Read) -> None:
    """Put a copy of a held dump where a person finds it; remove it when it is held no longer."""
    sha256, name = row["sha256"], row["name"]
    if isinstance(result, Read):
        for path in job.held.glob(f"{sha256[:12]}-*"):
            try:
                path.unlink()
            except OSError as error:  # an open file on Windows
                log.info("held/%s stays for now: %s", path.name, error)
        return
    if result.bug:
        path = write_bug(job.folder, result.bug, sha256)
        log.error("dump %s: %s", sha256, path.name)
    said = [f"{parser}: {match.level}, {match.reason}" for parser, match in result.matches]
    text = "\n".join([
        f"{name} is held: {result.reason}.", f"SHA-256 {sha256}", "",
        *(said or ["No profile was asked."]), "",
        "Its bytes are safe. What to do: write a profile for its layout with `glasstally profile "
        "draft`, or bring the profile that fits. Held dumps are then read again by themselves.",
        "",
    ])  # fmt: skip
    base = f"{sha256[:12]}-{safe_name(name)}"
    with plainly("Writing to held/"):
        source = originals.path_of(job.originals, sha256)
        if source.exists():
            durable.write(job.held / base, source.read_bytes())
        durable.write(job.held / f"{base}.txt", text.encode())
