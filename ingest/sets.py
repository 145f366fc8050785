"""Find collected jobs below some folders and say which of their files cannot be used.

A job is a folder that holds `completion.parquet`: one of `ingest.collected`, or the data folder of
a handover. Of a job's handovers the newest of the whole job counts; of two copies of one job the
one with the newer journal. What is not counted is named.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ingest import collected
from ingest.errors import BadInput, NotNow, why_not

REVISION = "revision.json"
"""File in a handover's folder that says its number, scope and time."""


@dataclass(frozen=True)
class Problem:
    """A file that cannot be used: which, why, and what to do."""

    file: str
    why: str
    remedy: str


@dataclass
class JobSet:
    """The Parquet files of one job, by table, and which job they are of."""

    folder: Path
    files: dict[str, Path]
    job_id: str
    """The folder, where its tables do not say."""
    name: str
    as_of: str = ""


@dataclass
class Found:
    """The jobs to be counted, in order of their folders, and what is not counted."""

    sets: list[JobSet] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def find(folders: Sequence[Path], wanted: Iterable[str]) -> Found:
    """Find every collected job below `folders` with those of the `wanted` tables that are there.

    No table is read. Raises BadInput for a folder that is not there or holds no exported job,
    naming what it holds instead.
    """
    places: list[Path] = []
    for folder in folders:
        if not folder.is_dir():
            raise BadInput(f"{folder} is no folder.")
        inside = sorted(_places(folder))
        if not inside:
            raise BadInput(*_nothing(folder))
        places += inside
    found = Found()
    tables = tuple(wanted)
    for place in _newest_handovers(list(dict.fromkeys(places)), found):
        paths = {table: place / f"{table}.parquet" for table in tables}
        files = {table: path for table, path in paths.items() if path.is_file()}
        found.sets.append(JobSet(place, files, str(place), _called(place)))
    return found


def _called(place: Path) -> str:
    """Name a job after its folder, also where only the data of its handover is there."""
    above = [path.name for path in place.parents[:3]]
    return above[above.index("handover") + 1] if "handover" in above[:2] else place.name


def _places(folder: Path) -> Iterator[Path]:
    for here, _, names in os.walk(folder, onerror=_unreadable, followlinks=False):
        if f"{collected.LAST}.parquet" in names:
            yield Path(here)


def _unreadable(error: OSError) -> None:
    raise NotNow(f"{error.filename}: {why_not(error)}.")


def _nothing(folder: Path) -> Iterable[str]:
    """Say what lies in a folder that holds no collected job, and how to make one."""
    yield f"{folder} holds no exported job (no {collected.LAST}.parquet in it or below)."
    jobs = sorted(path.parent for path in folder.glob("**/job.toml")
                  if path.parent.name != "inputs")[:3]  # fmt: skip
    if jobs:
        yield f"It holds jobs that were not exported, such as {jobs[0]}."
    elif any(folder.rglob("*.parquet")):
        yield "It holds Parquet files, but no finished export: the export may have been cut off."
    yield (
        "Export each job into a folder of its own: "
        f"glasstally --job JOB export all --format parquet --to {folder / 'JOB'}"
    )


def _newest_handovers(places: list[Path], found: Found) -> list[Path]:
    """Leave out handovers of a part of a job, and all but the newest of the whole job."""
    newest: dict[Path, tuple[int, Path]] = {}
    kept = []
    for place in places:
        root = next((p for p in (place, *place.parents[:2]) if (p / REVISION).is_file()), None)
        if root is None:
            kept.append(place)
            continue
        try:
            said = json.loads((root / REVISION).read_text("utf-8"))
            number, part = int(said["revision"]), str(said["scope"][0])
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            found.problems.append(Problem(str(root / REVISION), "it cannot be read",
                                          "make the handover again"))  # fmt: skip
            continue
        if part != "job":
            found.notes.append(f"{root}: a part of a job ({part}); not counted.")
            continue
        older = newest.get(root.parent)
        if older is not None:
            gone = min(older, (number, place))[1]
            found.notes.append(f"{gone}: an older handover of the same job; not counted.")
        newest[root.parent] = max(older or (number, place), (number, place))
    return sorted([*kept, *(place for _, place in newest.values())])


def damaged(path: Path, error: str) -> Problem:
    """Name a damaged file with the first line of what its reader said."""
    said = error.strip().split("\n")[0][:160]
    return Problem(str(path), f"it is damaged ({said})", "export the job again, or copy it again")


def count_once(found: Found) -> None:
    """Keep each job once, as its newest copy has it; note the others."""
    kept: dict[str, JobSet] = {}
    for one in found.sets:
        other = kept.get(one.job_id)
        if other is None:
            kept[one.job_id] = one
            continue
        older, newer = sorted((other, one), key=lambda s: (s.as_of, str(s.folder)))
        found.notes.append(f"{older.folder}: an older copy of {newer.folder}; not counted.")
        kept[one.job_id] = newer
    found.sets = sorted(kept.values(), key=lambda s: str(s.folder))


def foreign(path: Path, error: str) -> Problem:
    """Name a file whose columns are not those of the table, with what its reader said."""
    said = error.strip().split("\n")[0][:160]
    return Problem(str(path), f"it is not such a table ({said})",
                   "export the job again with this version")  # fmt: skip
