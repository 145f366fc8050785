"""Make an earlier revision once more, from what the job keeps, and compare it byte by byte."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from desk import handover as making
from desk import press, revisions
from desk.dossier import CERTIFICATES
from desk.revisions import Revision
from ingest import durable, journal, originals, rebuild
from ingest.errors import BadInput, Damaged, plainly
from ingest.job import FOLDERS, Job
from ingest.journal import Entry


@dataclass(frozen=True)
class Again:
    """A revision made again and the files that are not the same to the byte."""

    made: making.Made
    differs: tuple[str, ...]


def again(
    job: Job, number: int, to: Path | None = None, progress: press.Progress = press.silent
) -> Again:
    """Make revision `number` again outside the job and compare it with the one that was made.

    The journal is cut at the heads that the revision names; settings, originals and plans follow
    from it. The job itself is only read.
    """
    known = revisions.listed(job.folder / "handover")
    wanted = next((one for one in known if one.number == number), None)
    if wanted is None:
        have = ", ".join(str(one.number) for one in known) or "none yet"
        raise BadInput(f"There is no revision {number}; there are {have}.")
    target = to or job.folder.with_name(f"{job.folder.name}-revision-{number}-again")
    if target.exists():
        raise BadInput(f"{target} is there already; give another folder with --to.")
    before = next((one for one in known if one.number == wanted.previous), None)
    options = making.Options(wanted.scope, wanted.draft, wanted.links)
    with tempfile.TemporaryDirectory(prefix="glasstally-again-") as name:
        past = _past(job, wanted, Path(name) / "job")
        ready = making.prepare(past, options)
        ready = making.numbered(ready, number, wanted.draft, before)
        files = making.write(target, ready, options, wanted.state, progress)
    made = making.Made(target, files, number)
    return Again(made, tuple(_differing(wanted.folder, target)))


def _past(job: Job, wanted: Revision, folder: Path) -> Job:
    """Lay out the job as it stood at a revision in `folder`, and derive it."""
    with plainly("Laying out the job as it was"):
        for name in (*FOLDERS, CERTIFICATES):
            (folder / name).mkdir(parents=True)
        entries: list[Entry] = []
        for laptop, head in wanted.chains:
            entries += _cut(job, laptop, head, folder)
        _settings(entries, folder)
        for entry in entries:
            if entry.kind == "arrival":
                sha256 = str(entry.body["sha256"])
                originals.keep(folder / "originals", originals.read(job.originals, sha256))
        shutil.copytree(job.plans, folder / "plan", dirs_exist_ok=True)
        papers = wanted.folder / wanted.certificates
        if papers.is_dir():
            shutil.copytree(papers, folder / CERTIFICATES, dirs_exist_ok=True)
        profile = wanted.folder / revisions.REQUIREMENTS
        if profile.exists():
            shutil.copy(profile, folder / revisions.REQUIREMENTS)
    past = Job.open(folder, job.clock)
    with rebuild.fresh(past) as built:
        durable.replace(built, past.store)
    return past


def _cut(job: Job, laptop: str, head: str, folder: Path) -> Iterable[Entry]:
    """Copy a chain up to `head`; raises Damaged if the chain does not hold it."""
    path = journal.path_of(job.journals, laptop)
    found: list[Entry] = []
    if path.exists():
        for entry, at in journal.read(path):
            found.append(entry)
            if at.hash == head:
                content = path.read_bytes()[: at.offset]
                journal.path_of(folder / "journal", laptop).write_bytes(content)
                return found
    raise Damaged(f"journal/{laptop}.jsonl does not hold the entry at which the revision was made.")


def _settings(entries: list[Entry], folder: Path) -> None:
    """Write job.toml and the job's own profiles and limits as they were journalled last."""
    texts: dict[str, str] = {}
    for entry in sorted(entries, key=lambda one: (one.at, one.laptop, one.seq)):
        if entry.kind in ("settings", "profile", "limits"):
            texts[str(entry.body["file"])] = str(entry.body["text"])
    for file, text in texts.items():
        if text:
            (folder / file).write_bytes(text.encode())


def _differing(one: Path, other: Path) -> Iterable[str]:
    """Name the files that only one of two sets holds or that differ."""
    left, right = _hashes(one), _hashes(other)
    return [name for name in sorted({*left, *right}) if left.get(name) != right.get(name)]


def _hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }
