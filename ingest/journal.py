"""The journal: one file of JSON lines per laptop, each line chained to the one before.

A line is the canonical JSON (RFC 8785) of an entry and a line feed. `hash` is the SHA-256 of the
canonical JSON of the entry without `hash`; `previous` is the `hash` of the line before (64 zeros
at the start). The head of a job is the SHA-256 of the sorted chain heads, one per line.

`at` never runs backwards within a job: where the laptop's clock is behind the newest entry, `at`
repeats that entry's time and `clock` keeps what the clock said. `seen` names how many entries of
each other chain its writer knew, where that changed since its last entry: so it can be told
later which of two laptops' decisions was made in knowledge of the other.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import rfc8785

from ingest import durable
from ingest.errors import Damaged

GENESIS = "0" * 64
Clock = Callable[[], datetime]


@dataclass(frozen=True)
class Entry:
    """One line of a journal."""

    laptop: str
    seq: int
    at: str
    who: str
    kind: str
    body: dict[str, Any]
    previous: str
    hash: str
    clock: str = ""
    seen: Mapping[str, int] = field(default_factory=dict)

    def line(self) -> bytes:
        """Give the entry as it stands in the file, with its line feed."""
        return rfc8785.dumps(self._content() | {"hash": self.hash}) + b"\n"

    def _content(self) -> dict[str, Any]:
        content = {
            "laptop": self.laptop, "seq": self.seq, "at": self.at, "who": self.who,
            "kind": self.kind, "body": self.body, "previous": self.previous,
        }  # fmt: skip
        extra = {"clock": self.clock, "seen": dict(self.seen)}
        return content | {name: value for name, value in extra.items() if value}

    def expected_hash(self) -> str:
        """Compute what `hash` must be."""
        return hashlib.sha256(rfc8785.dumps(self._content())).hexdigest()


@dataclass(frozen=True)
class Head:
    """Where a chain stands: bytes read, entries, hash and time of the last entry."""

    offset: int = 0
    seq: int = 0
    hash: str = GENESIS
    at: str = ""


def canonical(value: Any) -> str:
    """Write a value as canonical JSON (RFC 8785): the same text however it was made."""
    return rfc8785.dumps(value).decode()


def now() -> datetime:
    """Read the laptop's clock."""
    return datetime.now(UTC)


def stamp(moment: datetime) -> str:
    """Write a moment as ISO UTC with milliseconds, which sorts as text."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + (
        f"{moment.microsecond // 1000:03d}Z"
    )


def laptop_id() -> str:
    """Name this laptop: its host name and four digits of its network address."""
    name = re.sub(r"[^a-z0-9]+", "-", platform.node().lower()).strip("-")[:24] or "laptop"
    node = uuid.getnode()
    if node >> 40 & 1:  # no network card: the number is invented anew by every process
        return name
    return f"{name}-{hashlib.sha256(str(node).encode()).hexdigest()[:4]}"


def path_of(folder: Path, laptop: str) -> Path:
    """Give the file of one laptop's chain."""
    return folder / f"{laptop}.jsonl"


def chains(folder: Path) -> list[Path]:
    """List the chain files in order of name."""
    return sorted(folder.glob("*.jsonl"))


def append(
    folder: Path,
    head: Head,
    newest: str,
    laptop: str,
    who: str,
    entries: Sequence[tuple[str, Mapping[str, Any]]],
    clock: Clock = now,
    seen: Mapping[str, int] | None = None,
) -> tuple[list[Entry], Head]:
    """Chain `entries` (kind, body) after `head`, write them with one flush, give the new head.

    The caller holds the writer's lock. `newest` is the latest `at` of the whole job.
    """
    made: list[Entry] = []
    seq, previous = head.seq, head.hash
    for kind, body in entries:
        said = stamp(clock())
        at = max(said, newest, head.at)
        seq += 1
        behind = "" if at == said else said
        entry = Entry(laptop, seq, at, who, kind, dict(body), previous, "", behind, seen or {})
        entry = replace(entry, hash=entry.expected_hash())
        seen = {}
        previous, newest = entry.hash, at
        made.append(entry)
    if not made:
        return [], head
    lines = b"".join(entry.line() for entry in made)
    durable.append(path_of(folder, laptop), lines)
    return made, Head(head.offset + len(lines), seq, previous, newest)


def read(path: Path, head: Head = Head()) -> Iterator[tuple[Entry, Head]]:
    """Yield the entries after `head` with the head that each makes.

    Raises Damaged at the first line that does not follow; a last line without line feed is not
    an entry and is left to `mend`.
    """
    with path.open("rb") as lines:
        lines.seek(0, os.SEEK_END)
        if lines.tell() < head.offset:
            raise Damaged(
                f"{path.name}: the tail is cut; {head.seq} entries were known, "
                f"{head.offset - lines.tell()} bytes are gone."
            )
        lines.seek(head.offset)
        for line in lines:
            if not line.endswith(b"\n"):
                return
            entry = parse(line, path.name, head)
            head = Head(head.offset + len(line), entry.seq, entry.hash, entry.at)
            yield entry, head


def parse(line: bytes, name: str, head: Head) -> Entry:
    """Read one line that must follow `head`; raise Damaged with the place and the reason."""
    place = f"{name}, entry {head.seq + 1}"
    try:
        content = json.loads(line)
        entry = Entry(**content)
        good = entry.line() == line
    except (ValueError, TypeError, rfc8785.CanonicalizationError):
        raise Damaged(f"{place}: not a journal line.") from None
    if not good or entry.hash != entry.expected_hash():
        raise Damaged(f"{place}: the content does not fit its hash.")
    if entry.previous != head.hash or entry.seq != head.seq + 1:
        raise Damaged(f"{place}: does not follow the entry before it.")
    return entry


def mend(path: Path) -> str:
    """Set a torn last line apart; say what was done, empty if nothing.

    A last line without line feed was never acknowledged to anyone. If it is a whole entry, only
    its line feed is added; else its bytes go to a file beside the chain, which is then cut.
    """
    if not path.exists():
        return ""
    data = path.read_bytes()
    end = data.rfind(b"\n") + 1
    tail = data[end:]
    if not tail:
        return ""
    try:
        whole = Entry(**json.loads(tail))
        complete = whole.hash == whole.expected_hash() and whole.line() == tail + b"\n"
    except (ValueError, TypeError, rfc8785.CanonicalizationError):
        complete = False
    if complete:
        durable.append(path, b"\n")
        return f"{path.name}: the last entry had lost its line feed; added."
    aside = path.with_name(f"{path.stem}.torn-{hashlib.sha256(tail).hexdigest()[:8]}")
    durable.write(aside, tail)
    os.truncate(path, end)
    return f"{path.name}: a torn last line ({len(tail)} bytes) was set apart in {aside.name}."


def job_head(heads: Sequence[str]) -> str:
    """Give the job's head from its chain heads."""
    return hashlib.sha256("\n".join(sorted(heads)).encode()).hexdigest()
