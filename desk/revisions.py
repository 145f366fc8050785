"""Handovers made before, what changed since, and the job's requirements profile."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from ingest import durable
from ingest.errors import BadInput, Damaged, plainly
from ingest.job import Job
from reports import handover, numbers, requirements, resources
from reports.particulars import Change
from reports.requirements import Requirement

REQUIREMENTS = "requirements.toml"
"""File of the job that holds the owner's requirements profile."""


@dataclass(frozen=True)
class Revision:
    """One handover that was made: its number, scope, state and folder."""

    number: int
    scope: tuple[str, str]
    state: str
    folder: Path
    chains: tuple[tuple[str, str], ...]
    draft: bool
    links: str
    as_of: str
    previous: int
    data: str
    certificates: str
    """Folders of the open data and of the certificates inside the set."""


def listed(folder: Path) -> list[Revision]:
    """Read the revisions that are there, by number."""
    found = []
    with plainly("Reading the handovers made before"):
        for path in sorted(folder.glob(f"*/{handover.REVISION}")):
            if re.fullmatch(r"\d{4,}(-.*)?", path.parent.name):
                found.append(read(path.parent))
    return sorted(found, key=lambda one: one.number)


def read(folder: Path) -> Revision:
    """Read what identifies a revision; raises Damaged if its file is not what was written."""
    path = folder / handover.REVISION
    try:
        value = json.loads(path.read_text("utf-8"))
        kind, name = value["scope"]
        return Revision(
            int(value["revision"]), (str(kind), str(name)), str(value["state"]), folder,
            tuple(sorted(value["chains"].items())), bool(value["draft"]), str(value["links"]),
            str(value["as_of"]), int(value["previous"]), str(value["folders"]["data"]),
            str(value["folders"]["certificates"]),
        )  # fmt: skip
    except (ValueError, KeyError, TypeError) as error:
        raise Damaged(f"{path} is not the file that was written: {error}.") from error


def changes(before: Revision, results: pd.DataFrame) -> tuple[Change, ...]:
    """Compare results with those of an earlier revision, planned test by planned test."""
    path = before.folder / before.data / "results.json"
    with plainly(f"Reading {path}"):
        value = json.loads(path.read_text("utf-8"))
    old = _shown(pd.DataFrame(value["rows"], columns=value["columns"]))
    new = _shown(results)
    made = []
    for key in [*new, *(key for key in old if key not in new)]:
        was, now = old.get(key, ""), new.get(key, "")
        if was != now:
            what = "new" if key not in old else "dropped" if key not in new else "changed"
            made.append(Change(what, key[0], key[2], key[3], was, now))
    return tuple(made)


def _shown(results: pd.DataFrame) -> dict[tuple[str, str, int, str], str]:
    level = results["loss_db"].astype("float64")
    level = level.where(level.notna(), results["power_dbm"].astype("float64"))
    texts = numbers.decibels(level, 3)
    # a waived failure keeps its grade: what became of the test is said beside it
    plain = results["state"].isin(("accepted", "failed", "")) & (results["grade"] != "")
    verdict = results["grade"].where(
        plain, (results["grade"] + " " + results["state"]).str.strip()
    )  # fmt: skip
    return {
        (link, kind, int(nm), way): word if text == numbers.ABSENT else f"{text} {word}"
        for link, kind, nm, way, text, word in zip(
            results["link_id"], results["kind"], results["wavelength_nm"], results["direction"],
            texts, verdict, strict=True,
        )
    }  # fmt: skip


def requirement(job: Job) -> tuple[Requirement, bytes]:
    """Read the job's requirements profile and its bytes; without one, defaults and no bytes."""
    path = job.folder / REQUIREMENTS
    if not path.exists():
        return Requirement(), b""
    with plainly(f"Reading {path}"):
        content = path.read_bytes()
    try:
        return requirements.read(content.decode("utf-8-sig", "replace")), content
    except requirements.RequirementError as error:
        raise BadInput(*(f"{REQUIREMENTS}: {line}" for line in str(error).split("\n"))) from None


def adopt(job: Job, name: str) -> Path:
    """Copy a shipped profile, or a file, to the job's requirements; refuse to replace another."""
    path = job.folder / REQUIREMENTS
    if name in resources.requirement_names():
        text = resources.requirement(name)
    elif Path(name).is_file():
        with plainly(f"Reading {name}"):
            text = Path(name).read_bytes().decode("utf-8-sig", "replace")
    else:
        shipped = ", ".join(resources.requirement_names())
        raise BadInput(f"No requirements profile {name!r}: give a file or one of {shipped}.")
    try:
        requirements.read(text)
    except requirements.RequirementError as error:
        raise BadInput(*(f"{name}: {line}" for line in str(error).split("\n"))) from None
    with plainly(f"Writing {path}"):
        if path.exists() and path.read_bytes() != text.encode():
            raise BadInput(f"{REQUIREMENTS} is there already; edit it, or move it away first.")
        durable.write(path, text.encode())
    return path
