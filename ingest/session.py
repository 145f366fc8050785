"""A writing session: the lock, the store, the journal mirrored and what was edited by hand noted.

The journal is the truth. Every session first reads what the journal files gained (another
process, a merge, a crash before the mirror) into the table `entry`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from ingest import journal, lock, store
from ingest.current import files_mark
from ingest.errors import BadInput, Damaged, plainly
from ingest.job import Job, who
from ingest.journal import Entry, Head


@dataclass(frozen=True)
class Session:
    """An open store with the writer's lock; `notes` are sentences about what was mended."""

    job: Job
    connection: sqlite3.Connection
    notes: tuple[str, ...] = ()

    def record(self, kind: str, body: Mapping[str, Any], by: str = "") -> Entry:
        """Write one journal entry and its mirror."""
        return self.record_all([(kind, body)], by)[0]

    def record_all(
        self, entries: Sequence[tuple[str, Mapping[str, Any]]], by: str = ""
    ) -> list[Entry]:
        """Write journal entries with one flush, then mirror them in one transaction."""
        head = _head(self.connection, self.job.laptop)
        newest = self.connection.execute("SELECT coalesce(max(at), '') FROM entry").fetchone()[0]
        with plainly("Writing the journal"):
            made, new = journal.append(
                self.job.journals, head, newest, self.job.laptop, by or who(), entries,
                self.job.clock, _seen(self.connection, self.job.laptop),
            )  # fmt: skip
        with store.transaction(self.connection):
            _mirror(self.connection, self.job.laptop, made, new)
        return made


@contextmanager
def writing(job: Job, doing: str, wait_s: float | None = None) -> Iterator[Session]:
    """Hold the lock, open the store, catch up with the journal and with edits by hand."""
    since = journal.stamp(job.clock())
    with lock.held(job.folder, doing, since, wait_s), store.writer(job.store) as connection:
        notes = catch_up(job, connection)
        session = Session(job, connection, tuple(notes))
        _note_edits(session)
        yield session


def catch_up(job: Job, connection: sqlite3.Connection, *, mend: bool = True) -> list[str]:
    """Read what the journal files gained into the mirror; say what was mended."""
    notes = []
    known = [row[0] for row in connection.execute("SELECT laptop FROM chain ORDER BY laptop")]
    files = {path.stem: path for path in journal.chains(job.journals)}
    for laptop in known:
        if laptop not in files:
            raise Damaged(f"journal/{laptop}.jsonl is gone; `glasstally verify` says what holds.")
    for laptop, path in files.items():
        head = _head(connection, laptop)
        if path.stat().st_size == head.offset:
            continue
        note = journal.mend(path) if mend else ""
        if note:
            notes.append(note)
        new, last = [], head
        for entry, last in journal.read(path, head):  # noqa: B007
            new.append(entry)
        if new:
            with store.transaction(connection):
                _mirror(connection, laptop, new, last)
    return notes


def _head(connection: sqlite3.Connection, laptop: str) -> Head:
    row = connection.execute(
        "SELECT offset, seq, hash, at FROM chain WHERE laptop = ?", (laptop,)
    ).fetchone()
    return Head(*row) if row else Head()


def _seen(connection: sqlite3.Connection, laptop: str) -> dict[str, int]:
    """Give how far each other chain is known, where that is news since the last own entry."""
    told: dict[str, int] = {}
    for (text,) in connection.execute(
        "SELECT seen FROM entry WHERE laptop = ? AND seen <> '{}' ORDER BY seq", (laptop,)
    ).fetchall():
        told |= json.loads(text)
    rows = connection.execute(
        "SELECT laptop, seq FROM chain WHERE laptop <> ? AND seq > 0", (laptop,)
    ).fetchall()
    return {other: seq for other, seq in rows if told.get(other) != seq}


def _mirror(
    connection: sqlite3.Connection, chain: str, entries: Sequence[Entry], head: Head
) -> None:
    """Store entries and what they say of dumps, inside the caller's transaction."""
    connection.executemany(
        "INSERT OR IGNORE INTO entry (hash, laptop, seq, at, who, kind, body, previous, clock, "
        "seen) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                e.hash,
                e.laptop,
                e.seq,
                e.at,
                e.who,
                e.kind,
                journal.canonical(e.body),
                e.previous,
                e.clock,
                journal.canonical(dict(e.seen)),
            )
            for e in entries
        ],
    )
    connection.execute(
        "INSERT OR REPLACE INTO chain VALUES (?, ?, ?, ?, ?)",
        (chain, head.offset, head.seq, head.hash, head.at),
    )
    for entry in entries:
        _apply(connection, entry)
    connection.execute("DELETE FROM meta WHERE key = 'derived'")


def _apply(connection: sqlite3.Connection, entry: Entry) -> None:
    """Let the table `dump` follow an entry; the order of entries makes no difference."""
    body = entry.body
    if entry.kind in ("arrival", "arrived-again"):
        connection.execute(
            "INSERT INTO dump (sha256, name, names, arrived_at, size, origin, complete, state, "
            "aside, reason, parser, parser_version, tries, first_row, last_row, varying, lines, "
            "questions) VALUES (?, ?, '[]', ?, ?, ?, ?, 'new', 0, '', '', 0, 0, 0, -1, '', "
            "'{}', '[]') ON CONFLICT (sha256) DO NOTHING",
            (
                body["sha256"], body["name"], entry.at, body["size"], body["origin"],
                int(body["complete"]),
            ),
        )  # fmt: skip
        row = connection.execute(
            "SELECT names, arrived_at, complete FROM dump WHERE sha256 = ?", (body["sha256"],)
        ).fetchone()
        names = sorted({*json.loads(row[0]), body["name"]})
        connection.execute(
            "UPDATE dump SET name = ?, names = ?, arrived_at = ?, complete = ? WHERE sha256 = ?",
            (
                names[0], json.dumps(names, ensure_ascii=False), min(row[1], entry.at),
                max(row[2], int(body["complete"])), body["sha256"],
            ),
        )  # fmt: skip
    if entry.kind in ("arrival", "arrived-again", "set-aside", "bring-back"):
        last = connection.execute(
            "SELECT kind FROM entry WHERE kind IN ('set-aside', 'bring-back') "
            "AND json_extract(body, '$.sha256') = ? ORDER BY at DESC, laptop DESC, seq DESC",
            (body["sha256"],),
        ).fetchone()
        connection.execute(
            "UPDATE dump SET aside = ? WHERE sha256 = ?",
            (int(last is not None and last[0] == "set-aside"), body["sha256"]),
        )
    elif entry.kind == "profile":
        connection.execute("UPDATE dump SET state = 'new', tries = 0 WHERE state = 'held'")


def _note_edits(session: Session) -> None:
    """Journal the text of job.toml, profiles and limits where it differs from the last one."""
    connection = session.connection
    try:
        job = session.job.fresh()
    except BadInput:
        return  # an edit that is not finished; who reads the settings says what is wrong
    prints = job.fingerprints()
    mark = files_mark(job)
    if store.meta(connection, "files") == mark:
        return
    known = latest_files(connection)
    entries: list[tuple[str, Mapping[str, Any]]] = []
    if known.get("job.toml", ("",))[0] != prints["job.toml"]:
        entries.append(("settings", {
            "file": "job.toml", "sha256": prints["job.toml"], "text": job.text,
        }))  # fmt: skip
    for kind, folder in (("profile", "profiles"), ("limits", "limits")):
        texts = job.texts(folder)
        for name, text in texts.items():
            file = f"{folder}/{name}"
            if known.get(file, ("",))[0] != prints[file]:
                entries.append((kind, {"file": file, "sha256": prints[file], "text": text}))
        for file, (sha256, _) in known.items():
            if file.startswith(folder + "/") and file not in prints and sha256:
                entries.append((kind, {"file": file, "sha256": "", "text": ""}))
    if entries:
        session.record_all(entries)
    with store.transaction(connection):
        store.put_meta(connection, "files", mark)


def latest_files(connection: sqlite3.Connection) -> dict[str, tuple[str, str]]:
    """Give the newest journalled (SHA-256, text) of each settings file; removed ones are empty."""
    rows = connection.execute(
        "SELECT body FROM entry WHERE kind IN ('settings', 'profile', 'limits') "
        "ORDER BY at, laptop, seq"
    ).fetchall()
    bodies = (json.loads(row[0]) for row in rows)
    return {body["file"]: (body["sha256"], body["text"]) for body in bodies}
