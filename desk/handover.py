"""Make the numbered set of documents that goes to the customer and the warranty."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from desk import dossier as gathering
from desk import press
from desk.dossier import Dossier
from ingest.errors import BadInput, plainly
from ingest.job import Job
from reports import facts, handover, record
from reports.particulars import Particulars, Seal
from rules.version import __version__

PEOPLES = (".pdf", ".xlsx", ".html")
SCOPES = ("building", "floor", "area", "cable")
PRESS_FROM = 40
"""Per cent of the work that is done when the record goes to press."""


@dataclass(frozen=True)
class Options:
    """What is handed over and how."""

    scope: tuple[str, str] = ("job", "job")
    draft: bool = False
    links: str = ""
    """Pages per link: ``, `all`, `failed` or link ids separated by commas."""


@dataclass(frozen=True)
class Made:
    """A set of documents: its folder, files by path inside it, and whether it is new."""

    folder: Path
    files: tuple[str, ...]
    revision: int
    new: bool = True
    notes: tuple[str, ...] = ()

    @property
    def documents(self) -> tuple[Path, ...]:
        """The files that people open."""
        return tuple(self.folder / f for f in self.files if "/" not in f and f.endswith(PEOPLES))


def make(job: Job, options: Options | None = None, progress: press.Progress = press.silent) -> Made:
    """Write the next numbered revision; an unchanged state gives the one that is there."""
    wanted = options or Options()
    found = gathering.gather(job)
    if wanted.scope[0] != "job":
        try:
            found = gathering.cut(found, *wanted.scope)
        except KeyError as error:
            raise BadInput(
                f"No {wanted.scope[0]} {wanted.scope[1]!r} in the plan; there are {error.args[0]}."
            ) from None
    state = _state(found, wanted)
    before = revisions(job.folder / "handover")
    same = [r for r in before if tuple(r["scope"]) == found.given.scope]
    if same and same[-1]["state"] == state:
        folder = Path(same[-1]["folder"])
        return Made(folder, _listed(folder), int(same[-1]["revision"]), new=False)
    number = 1 + max((int(r["revision"]) for r in before), default=0)
    given = replace(
        found.given, revision=number, draft=wanted.draft,
        previous=int(same[-1]["revision"]) if same else 0,
    )  # fmt: skip
    folder = job.folder / "handover" / folder_name(given)
    files = write(folder, replace(found, given=given), wanted, state, progress)
    return Made(folder, files, number)


def scope_of(text: str) -> tuple[str, str]:
    """Read a scope such as `cable:C001`; an empty text is the whole job."""
    if not text:
        return ("job", "job")
    kind, colon, name = text.partition(":")
    if not colon or kind not in SCOPES or not name:
        raise BadInput(f"Scope {text!r}: give KIND:NAME, where KIND is {', '.join(SCOPES)}.")
    return kind, name


def folder_name(given: Particulars) -> str:
    """Name a revision's folder: its number and, for a part of the job, the part."""
    kind, name = given.scope
    part = "" if kind == "job" else f"-{kind}-{gathering.safe_name(name)}"
    return f"{given.revision:04d}{part}"


def revisions(folder: Path) -> list[dict[str, Any]]:
    """Read the revisions that are there, by number."""
    found = []
    with plainly("Reading the handovers made before"):
        for path in sorted(folder.glob(f"*/{handover.REVISION}")):
            if re.fullmatch(r"\d{4,}(-.*)?", path.parent.name):
                found.append(json.loads(path.read_text("utf-8")) | {"folder": str(path.parent)})
    return sorted(found, key=lambda one: int(one["revision"]))


def write(
    folder: Path, found: Dossier, options: Options, state: str, progress: press.Progress
) -> tuple[str, ...]:
    """Make every file of the set beside its final place, then move it there in one step."""
    partial = folder.with_name(f".{folder.name}-{os.getpid()}")
    with plainly(f"Writing {folder}"):
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(parents=True)
        try:
            with press.workers() as pool:
                seals = _fill(partial, found, options, state, pool, progress)
            partial.replace(folder)
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise
    return tuple(seal.path for seal in seals)


def _fill(
    folder: Path,
    found: Dossier,
    options: Options,
    state: str,
    pool: Executor,
    progress: press.Progress,
) -> list[Seal]:
    evaluation, given, kept = found.evaluation, found.given, found.kept
    results = facts.results(evaluation)
    seals: list[Seal] = []

    def put(path: str, content: bytes) -> None:
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
        seals.append(handover.seal(path, content))

    book = pool.submit(handover.book, evaluation, given, results)
    counts = facts.job_row(evaluation)
    put(handover.REVISION, handover.revision(given, state, counts))
    for path, content in (kept.originals | kept.journal | kept.certificates).items():
        put(path, content)
    with_parquet = importlib.util.find_spec("pyarrow") is not None
    for path, content in handover.contents(evaluation, given, results, with_parquet).items():
        put(path, content)
    put(handover.WORKBOOK, book.result())
    progress(PRESS_FROM, 100)
    seals.sort(key=lambda seal: seal.path)
    printed = press.press(
        record.build(evaluation, given, results, seals),
        given.as_of,
        pool,
        lambda done, of: progress(PRESS_FROM + (100 - PRESS_FROM) * done // of, 100),
    )
    put(handover.RECORD, printed)
    (folder / handover.MANIFEST).write_bytes(handover.manifest(seals))
    return sorted([*seals, handover.seal(handover.MANIFEST, b"")], key=lambda seal: seal.path)


def _state(found: Dossier, options: Options) -> str:
    """Digest what a set shows; its number and what changed since another are no part of it."""
    shown = repr((found.given, options, __version__)).encode()
    certificates = b"".join(found.kept.certificates.values())
    return handover.state_of([shown, certificates])


def _listed(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()))
