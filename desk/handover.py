"""Make the numbered set of documents that goes to the customer and the warranty."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from desk import dossier as gathering
from desk import press, revisions
from desk.dossier import Dossier
from ingest.errors import BadInput, plainly
from ingest.job import Job
from reports import charts, completeness, facts, handover, linkpages, record, workbook
from reports.document import Document
from reports.particulars import Particulars, Seal
from reports.requirements import Requirement
from rules.version import __version__

SCOPES = ("building", "floor", "area", "cable")
PEOPLES = (".pdf", ".xlsx", ".html")

DATA_DONE, PAPERS_DONE = 25, 35
"""Per cent of the work done when the open data and when the smaller documents are written."""


@dataclass(frozen=True)
class Options:
    """What is handed over and how."""

    scope: tuple[str, str] = ("job", "job")
    draft: bool = False
    links: str = ""
    """Pages per link: empty, `all`, `failed` or link ids separated by commas."""


@dataclass(frozen=True)
class Made:
    """A set of documents: its folder, files by path inside it, and whether it is new."""

    folder: Path
    files: tuple[str, ...]
    revision: int
    new: bool = True
    open_items: tuple[completeness.Item, ...] = ()
    """What the requirements still miss; a final issue has none that is required."""

    @property
    def documents(self) -> tuple[Path, ...]:
        """The files that people open."""
        return tuple(self.folder / name for name in self.files if name.endswith(PEOPLES))


class Incomplete(BadInput):
    """A final issue is refused because required items are open; `items` are all open ones."""

    def __init__(self, items: list[completeness.Item]) -> None:
        super().__init__(
            "The requirements are not met; `handover --draft` makes a marked draft. Open:",
            *(f"{item.asked}: {item.missing}" for item in items if item.required),
        )
        self.items = items


@dataclass(frozen=True)
class Prepared:
    """A dossier cut to its scope with its requirements, results and what is open."""

    dossier: Dossier
    wanted: Requirement
    results: pd.DataFrame
    items: list[completeness.Item]
    links: list[str]
    """Links that get a page of their own."""
    requirements: bytes = b""
    """The profile as the job holds it; empty without one."""


def make(job: Job, options: Options | None = None, progress: press.Progress = press.silent) -> Made:
    """Write the next numbered revision; an unchanged state gives the one that is there.

    Raises Incomplete where a required item of the profile is open and no draft is asked for.
    """
    options = options or Options()
    ready = prepare(job, options)
    missing = [item for item in ready.items if not item.met]
    if not options.draft and any(item.required for item in missing):
        raise Incomplete(missing)
    state = _state(ready, options)
    before = revisions.listed(job.folder / "handover")
    same = [one for one in before if one.scope == ready.dossier.given.scope]
    if same and same[-1].state == state:
        last = same[-1]
        return Made(last.folder, _files(last.folder), last.number, False, tuple(missing))
    number = 1 + max((one.number for one in before), default=0)
    ready = numbered(ready, number, options.draft, same[-1] if same else None)
    folder = job.folder / "handover" / folder_name(ready.dossier.given)
    files = write(folder, ready, options, state, progress)
    return Made(folder, files, number, True, tuple(missing))


def numbered(
    ready: Prepared, number: int, draft: bool, previous: revisions.Revision | None
) -> Prepared:
    """Give a prepared set its number and say what changed since the revision before."""
    missing = tuple(f"{item.asked}: {item.missing}" for item in ready.items if not item.met)
    given = replace(
        ready.dossier.given,
        revision=number,
        draft=draft,
        previous=previous.number if previous else 0,
        changes=revisions.changes(previous, ready.results) if previous else (),
        missing=missing,
    )
    return replace(ready, dossier=replace(ready.dossier, given=given))


def prepare(job: Job, options: Options) -> Prepared:
    """Gather a job, cut it to the scope, and compare it with its requirements."""
    wanted, text = revisions.requirement(job)
    found = gathering.gather(job)
    found = replace(found, evaluation=facts.outward(found.evaluation))
    if options.scope[0] != "job":
        try:
            found = gathering.cut(found, *options.scope)
        except KeyError as error:
            raise BadInput(
                f"No {options.scope[0]} {options.scope[1]!r} in the plan; "
                f"there are {error.args[0]}."
            ) from None
    given = replace(
        found.given, contractor=wanted.set.contractor, requirement=wanted.title,
        language=wanted.set.language, paper=wanted.set.paper, length_unit=wanted.set.length_unit,
    )  # fmt: skip
    results = facts.results(found.evaluation, list_mean=wanted.tests.list_mean)
    items = completeness.check(found.evaluation, given, results, wanted, profile=bool(text))
    links = _links(options.links or ("all" if "links" in wanted.set.files else ""), results)
    return Prepared(replace(found, given=given), wanted, results, items, links, text)


def _links(wish: str, results: pd.DataFrame) -> list[str]:
    """Name the links that get a page; raises BadInput for one that is not in the plan."""
    try:
        return linkpages.chosen(wish, results) if wish else []
    except KeyError as error:
        raise BadInput(f"No such link: {error.args[0]}.") from None


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


def write(
    folder: Path, ready: Prepared, options: Options, state: str, progress: press.Progress
) -> tuple[str, ...]:
    """Make every file of the set beside its final place, then move it there in one step."""
    partial = folder.with_name(f".{folder.name}-{os.getpid()}")
    with plainly(f"Writing {folder}"):
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(parents=True)
        try:
            with press.pool(1) as booker:
                _Set(partial, ready, options, state, progress).fill(booker, press.Workers())
            partial.replace(folder)
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise
    return _files(folder)


class _Set:
    """A set being written: every file goes through `put`, which seals it."""

    def __init__(
        self, folder: Path, ready: Prepared, options: Options, state: str,
        progress: press.Progress,
    ) -> None:  # fmt: skip
        self.folder, self.ready, self.options, self.state = folder, ready, options, state
        self.progress = progress
        self.seals: list[Seal] = []

    def put(self, kind: str, path: str, content: bytes) -> None:
        """Write one file of a kind into the folder that the profile gives that kind."""
        inside = handover.folder(kind, self.ready.wanted) if kind else ""
        path = f"{inside}/{path}" if inside else path
        target = self.folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
        self.seals.append(handover.seal(path, content))

    def wants(self, kind: str) -> bool:
        """Tell whether the set holds a kind; record, data and journal always belong to it."""
        return kind in ("record", "data", "journal") or kind in self.ready.wanted.set.files

    def fill(self, booker: Executor, workers: press.Workers) -> None:
        """Make every file: data first, the record last because it carries all other hashes."""
        found, results = self.ready.dossier, self.ready.results
        evaluation, given = found.evaluation, found.given
        book: Future[bytes] | None = None
        if self.wants("workbook"):
            book = booker.submit(workbook.build, evaluation, given, results)
        about = handover.revision(
            given, self.state, facts.job_row(evaluation), self.options.links, self.ready.wanted,
        )  # fmt: skip
        self.put("", handover.REVISION, about)
        if self.ready.requirements:
            self.put("", revisions.REQUIREMENTS, self.ready.requirements)
        for kind, files in found.kept.by_kind():
            for path, content in files.items() if self.wants(kind) else ():
                self.put(kind, path, content)
        for kind, path, content in handover.contents(evaluation, given, results):
            if self.wants(kind):
                self.put(kind, path, content)
        self.progress(DATA_DONE, 100)
        for kind, document in handover.documents(
            evaluation, given, results, self.ready.wanted, self.ready.links
        ):
            if self.wants(kind) or kind == "links":
                printed = press.press(document, given.as_of, workers)
                self.put(kind, f"{document.name}.pdf", printed)
        drawn = charts.blocks(evaluation, given, results)
        if book is not None:
            self.put("workbook", handover.WORKBOOK, book.result())
        booker.shutdown()  # its memory is free before the record goes to press
        self.progress(PAPERS_DONE, 100)
        volumes = record.volumes(results, given)
        done = 0
        for document in volumes:
            printed = press.press(document, given.as_of, workers)
            self.put("record", f"{document.name}.pdf", printed)
            done += 1
            self._step(done, len(volumes) + 1)
        sealed = sorted(self.seals, key=lambda seal: seal.path)
        main = record.build(evaluation, given, results, sealed, drawn, len(volumes))
        del evaluation, results, found
        self._press_record(main, workers, given, done, len(volumes) + 1)
        manifest = handover.manifest(self.seals)
        (self.folder / handover.MANIFEST).write_bytes(manifest)
        self.progress(100, 100)

    def _press_record(
        self, main: Document, workers: press.Workers, given: Particulars, done: int, of: int
    ) -> None:
        printed = press.press(
            main, given.as_of, workers,
            lambda part, parts: self._step(done + part / max(parts, 1), of),
        )  # fmt: skip
        self.put("record", f"{main.name}.pdf", printed)

    def _step(self, done: float, of: int) -> None:
        self.progress(int(PAPERS_DONE + (100 - PAPERS_DONE) * done / of), 100)


def _state(ready: Prepared, options: Options) -> str:
    """Digest what a set shows; its number and what changed since another are no part of it."""
    shown = repr((ready.dossier.given, ready.wanted, options, __version__)).encode()
    return handover.state_of([shown, *ready.dossier.kept.certificates.values()])


def _files(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()))


def items_of(job: Job, options: Options) -> Iterator[completeness.Item]:
    """Yield every item of the job's requirements, met or open."""
    yield from prepare(job, options).items
