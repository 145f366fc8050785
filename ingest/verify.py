"""Prove that what is kept is what was written; name the first difference and what still holds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from ingest import compare, durable, journal, lock, originals, rebuild, store
from ingest.current import ensure, files_mark
from ingest.errors import Damaged, Trouble
from ingest.job import Job
from ingest.journal import Entry, Head


@dataclass(frozen=True)
class Problem:
    """One thing that is not as it was written."""

    place: str
    found: str
    holds: str
    """What is still trustworthy in spite of it."""
    remedy: str


@dataclass
class Verdict:
    """What `verify` looked at and found."""

    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    entries: int = 0
    originals: int = 0
    heads: dict[str, str] = field(default_factory=dict)
    """Head of each chain."""
    head: str = ""
    """Head of the job: the anchor to print and to compare later."""
    compared: bool = False
    """Whether every stored table was derived again and compared."""

    @property
    def sound(self) -> bool:
        """Tell whether nothing differs."""
        return not self.problems


_REBUILD = "run `glasstally rebuild`"


def verify(job: Job, *, head: str = "", quick: bool = False,
           progress: Callable[[int, int], None] | None = None) -> Verdict:  # fmt: skip
    """Check journal, originals, plans and store; with `head`, also a head printed earlier.

    `quick` leaves out deriving every table again. Nothing is changed.
    """
    verdict = Verdict()
    since = journal.stamp(job.clock())
    with lock.held(job.folder, "verify", since):
        mirror = _mirror(job, verdict)
        entries = _chains(job, mirror, verdict)
        _originals(job, entries, verdict, progress)
        _plans(job, entries, verdict)
        if head:
            _printed(head, entries, verdict)
    if mirror is None:
        return verdict
    if not (quick or verdict.problems):
        ensure(job)  # an edit by hand or a crash leaves work that is no damage
    with lock.held(job.folder, "verify", since):
        _store(job, verdict, quick)
    return verdict


def _mirror(job: Job, verdict: Verdict) -> dict[str, Head] | None:
    """Return where the database says each chain stands; None where it cannot say."""
    if not job.store.exists():
        verdict.notes.append("There is no database; the next command makes it.")
        return None
    try:
        with store.reader(job.store) as connection:
            rows = connection.execute("SELECT laptop, offset, seq, hash, at FROM chain").fetchall()
            return {row[0]: Head(*row[1:]) for row in rows}
    except (Trouble, sqlite3.Error) as error:
        verdict.problems.append(Problem(
            job.store.name, f"it cannot be read: {error}",
            "journal and originals do not depend on it", _REBUILD,
        ))  # fmt: skip
        return None


def _chains(job: Job, mirror: dict[str, Head] | None, verdict: Verdict) -> list[Entry]:
    """Read every chain from its start and compare it with the database."""
    entries: list[Entry] = []
    files = {path.stem: path for path in journal.chains(job.journals)}
    mirror = mirror or {}
    for laptop in sorted(files.keys() | mirror.keys()):
        known = mirror.get(laptop, Head())
        restore = "run `glasstally verify --restore`: the database holds the entries"
        if laptop not in files:
            verdict.problems.append(Problem(
                f"journal/{laptop}.jsonl", f"the file is gone; {known.seq} entries were known",
                "the database still holds these entries", restore,
            ))  # fmt: skip
            continue
        path, head, found, agreed = files[laptop], Head(), "", known.seq == 0
        try:
            for entry, head in journal.read(path):
                entries.append(entry)
                agreed = agreed or (head.seq == known.seq and head.hash == known.hash)
        except (Damaged, OSError) as error:
            found = str(error)
        size = path.stat().st_size
        if not found and size > head.offset:
            verdict.notes.append(
                f"journal/{laptop}.jsonl ends in a torn line of {size - head.offset} bytes, never "
                "acknowledged to anyone; the next writing command sets it apart."
            )
        if not found and head.seq < known.seq:
            found = (
                f"the tail is cut after entry {head.seq}; the database knows {known.seq} entries"
            )
        elif not found and not agreed:
            found = f"entry {known.seq} is not the one that the database knows"
        if found:
            verdict.problems.append(Problem(
                f"journal/{laptop}.jsonl", found,
                f"entries 1 to {head.seq} of this chain"
                + (f", up to {head.at}" if head.seq else ""), restore,
            ))  # fmt: skip
        verdict.heads[laptop] = head.hash
    unique = {entry.hash: entry for entry in entries}
    verdict.entries = len(unique)
    verdict.head = journal.job_head(list(verdict.heads.values()))
    return sorted(unique.values(), key=lambda e: (e.at, e.laptop, e.seq))


def _originals(job: Job, entries: Iterable[Entry], verdict: Verdict,
               progress: Callable[[int, int], None] | None) -> None:  # fmt: skip
    names = {e.body["sha256"]: e.body["name"] for e in entries if e.kind == "arrival"}
    present = set(originals.listed(job.originals))
    wanted = sorted(names.keys() | present)
    for done, sha256 in enumerate(wanted):
        if progress:
            progress(done, len(wanted))
        try:
            originals.read(job.originals, sha256)
            verdict.originals += 1
        except Trouble as error:
            verdict.problems.append(Problem(
                f"originals/{sha256[:2]}/{sha256} ({names.get(sha256, 'no name')})", str(error),
                "every other original and the journal",
                "take the same file again, or merge a job that has it",
            ))  # fmt: skip
        if sha256 not in names:
            verdict.notes.append(
                f"The original {sha256[:12]} has no journal entry; the next sweep enters it."
            )


def _plans(job: Job, entries: Iterable[Entry], verdict: Verdict) -> None:
    for entry in entries:
        if entry.kind == "plan":
            try:
                rebuild.plan_bytes(job, entry.body["sha256"], entry.body["file"])
            except Trouble as error:
                verdict.problems.append(Problem(
                    f"plan/{entry.body['file']}", str(error), "the database holds its links",
                    "put the file back as it was loaded, under any name",
                ))  # fmt: skip


def _printed(head: str, entries: list[Entry], verdict: Verdict) -> None:
    """Look for a printed head among the states that the journal went through."""
    heads: dict[str, str] = {}
    for entry in entries:
        heads[entry.laptop] = entry.hash
        if journal.job_head(list(heads.values())).startswith(head.lower()):
            verdict.notes.append(
                f"The printed head is the job as of {entry.at}: everything written until then is "
                "here, unchanged."
            )
            return
    verdict.problems.append(Problem(
        "journal", "no state of this journal has the printed head",
        "the chains in themselves, as said above",
        "the record was printed from a journal that held other entries: merge the other laptops "
        "or a backup, then verify again",
    ))  # fmt: skip


def _store(job: Job, verdict: Verdict, quick: bool) -> None:
    """Check the database by itself and against a fresh one."""
    holds = "journal and originals, as said above; every table can be derived from them"
    try:
        with store.reader(job.store) as connection:
            said = [row[0] for row in connection.execute("PRAGMA integrity_check").fetchall()]
            marked = store.meta(connection, "files") == files_mark(job)
            derived = bool(store.meta(connection, "derived"))
            chains = dict(connection.execute("SELECT laptop, offset FROM chain").fetchall())
    except (Trouble, sqlite3.Error) as error:
        verdict.problems.append(Problem(job.store.name, str(error), holds, _REBUILD))
        return
    if said != ["ok"]:
        verdict.problems.append(Problem(job.store.name, said[0], holds, _REBUILD))
        return
    sizes = {path.stem: path.stat().st_size for path in journal.chains(job.journals)}
    if quick or verdict.problems or not (marked and derived and sizes == chains):
        if not quick:
            verdict.notes.append(
                "The database was not compared table by table: "
                + ("something kept is damaged." if verdict.problems
                   else "another program wrote to the job meanwhile; verify again.")
            )  # fmt: skip
        return
    with rebuild.fresh(job, mend=False) as path:
        differences = _differences(job.store, path)
    verdict.compared = True
    verdict.problems += [Problem(job.store.name, text, holds, _REBUILD) for text in differences]


def _differences(before: Path, after: Path) -> list[str]:
    with store.reader(before) as old, store.reader(after) as new:
        # bytes that are no text must show up as a difference, not as an error
        old.text_factory = new.text_factory = lambda b: b.decode("utf-8", "surrogateescape")
        return compare.stored(old, new)


def heads(job: Job) -> dict[str, str]:
    """Return the head of each chain, to be printed in a record: laptop to hash."""
    with store.reader(job.store) as connection:
        return dict(connection.execute("SELECT laptop, hash FROM chain ORDER BY laptop").fetchall())


def restore(job: Job) -> list[str]:
    """Write back journal entries that a file lost and the database still holds; say which.

    Only entries that continue the chain up to the head that the database knows are written. Lines
    that do not belong to the chain are set apart beside it.
    """
    notes = []
    since = journal.stamp(job.clock())
    with lock.held(job.folder, "restore", since), store.reader(job.store) as connection:
        chains = connection.execute("SELECT laptop, hash FROM chain ORDER BY laptop").fetchall()
        for chain, last in chains:
            entries = _chain_of(connection, last)
            path = journal.path_of(job.journals, chain)
            whole = b"".join(entry.line() for entry in entries)
            found = path.read_bytes() if path.exists() else b""
            if found.startswith(whole):
                continue
            if found and not whole.startswith(found):
                aside = path.with_name(f"{chain}.damaged-{originals.digest(found)[:8]}")
                durable.write(aside, found)
                notes.append(f"The damaged journal/{chain}.jsonl was kept as {aside.name}.")
            durable.write(path, whole)
            notes.append(f"journal/{chain}.jsonl: {len(entries)} entries are whole again.")
    return notes


def _chain_of(connection: sqlite3.Connection, last: str) -> list[Entry]:
    """Follow a chain back from its last hash through the database; raise Damaged at a gap."""
    entries: list[Entry] = []
    while last != journal.GENESIS:
        row = connection.execute(
            "SELECT laptop, seq, at, who, kind, body, previous, hash, clock, seen FROM entry "
            "WHERE hash = ?", (last,),
        ).fetchone()  # fmt: skip
        if row is None:
            raise Damaged(f"The database lacks entry {last[:12]} as well.")
        laptop, seq, at, who, kind, body, previous, hash_, clock, seen = row
        entry = Entry(
            laptop, seq, at, who, kind, json.loads(body), previous, hash_, clock, json.loads(seen)
        )
        if entry.expected_hash() != last:
            raise Damaged(f"The database's entry {last[:12]} does not fit its hash.")
        entries.append(entry)
        last = entry.previous
    return entries[::-1]
