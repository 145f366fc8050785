"""Prove a handover on any machine: hashes, chains, and equal numbers in print, workbook and data.

Needs nothing but the folder: no job, no network.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from ingest import journal
from ingest.errors import BadInput, plainly
from reports import handover, opendata, resulttable
from reports.particulars import Particulars
from reports.words import words
from rules.settings import Settings

SHOWN = 5
"""Differences named one by one; the rest is counted."""

WITHIN = 6000
"""Letters without spaces in which the next printed row must follow (about one page)."""


@dataclass(frozen=True)
class Claim:
    """One thing that the set claims, whether it holds, and what was found otherwise."""

    what: str
    holds: bool
    found: tuple[str, ...] = ()


def prove(folder: Path) -> list[Claim]:
    """Check everything that can be checked of a handover's folder; BadInput if it is none."""
    if not (folder / handover.MANIFEST).is_file() or not (folder / handover.REVISION).is_file():
        raise BadInput(
            f"{folder} is no handover: it holds no {handover.MANIFEST} and {handover.REVISION}."
        )
    claims: list[tuple[str, Callable[[Path], Iterator[str]]]] = [
        ("every file is as the manifest lists it", _hashes),
        ("no file is missing or added", _files),
        ("the journal is one unbroken chain up to the job head", _chains),
        ("every original is the dump that the journal names", _originals),
        ("CSV, JSON and Parquet hold the same results", _data),
        ("the workbook holds the numbers of the data", _workbook),
        ("the record prints the numbers of the data", _record),
        ("the record names the job head and every hash", _seals),
    ]
    with plainly(f"Reading {folder}"):
        return [_claim(what, check, folder) for what, check in claims]


def _claim(what: str, check: Callable[[Path], Iterator[str]], folder: Path) -> Claim:
    try:
        found = list(check(folder))
    except Exception as error:  # noqa: BLE001
        # a tampered file may be anything: whatever it breaks is a finding, not a crash
        found = [f"cannot be read: {error}"]
    more = len(found) - SHOWN
    shown = tuple(found[:SHOWN]) + ((f"and {more} more",) if more > 0 else ())
    return Claim(what, not found, shown)


def _listed(folder: Path) -> dict[str, str]:
    lines = (folder / handover.MANIFEST).read_text("utf-8").splitlines()
    return {line[66:]: line[:64] for line in lines if line}


def _hashes(folder: Path) -> Iterator[str]:
    for name, sha256 in _listed(folder).items():
        path = folder / name
        if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
            yield f"{name} was changed"


def _files(folder: Path) -> Iterator[str]:
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    listed = set(_listed(folder))
    for name in sorted(listed - there):
        yield f"{name} is missing"
    for name in sorted(there - listed - {handover.MANIFEST}):
        yield f"{name} is not in the manifest"


def _journals(folder: Path) -> list[Path]:
    return sorted(_of(folder, "journal").glob("*.jsonl"))


def _chains(folder: Path) -> Iterator[str]:
    value = _about(folder)
    heads = {}
    for path in _journals(folder):
        last = journal.Head()
        for _, last in journal.read(path):  # noqa: B007
            pass
        if last.offset != path.stat().st_size:
            yield f"{path.name}: bytes after the last entry"
        heads[path.stem] = last.hash
    for laptop, head in sorted(value["chains"].items()):
        if heads.get(laptop) != head:
            yield f"{laptop}.jsonl does not end in the head that the revision names"
    if journal.job_head(list(heads.values())) != value["job_head"]:
        yield "the heads do not give the job head"


def _originals(folder: Path) -> Iterator[str]:
    arrived: dict[str, str] = {}
    for path in _journals(folder):
        for entry, _ in journal.read(path):
            if entry.kind == "arrival":
                arrived[str(entry.body["sha256"])] = str(entry.body["name"])
    kept = set()
    for path in sorted(_of(folder, "originals").glob("*")):
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
        kept.add(sha256)
        if sha256 not in arrived:
            yield f"{path.name} is no dump of the journal"
    for sha256 in sorted(set(_table(folder, "intake_balance")["dump_sha256"]) - kept):
        if kept:
            yield f"the original of {arrived.get(sha256, sha256[:12])} is missing"


def _about(folder: Path) -> dict[str, Any]:
    value: dict[str, Any] = json.loads((folder / handover.REVISION).read_text("utf-8"))
    return value


def _of(folder: Path, kind: str) -> Path:
    """Give the folder in which a kind of files lies."""
    return folder / str(_about(folder)["folders"][kind])


def _table(folder: Path, name: str) -> pd.DataFrame:
    """Read an open table from its JSON file."""
    value = json.loads((_of(folder, "data") / f"{name}.json").read_text("utf-8"))
    columns = opendata.PUBLIC[name]
    if value["columns"] != list(columns):
        raise ValueError(f"{name}.json has other columns")
    frame = pd.DataFrame(value["rows"], columns=value["columns"])
    return opendata.rounded(frame, columns)


def _data(folder: Path) -> Iterator[str]:
    lies, about = _of(folder, "data"), _about(folder)
    for name, columns in opendata.PUBLIC.items():
        frame = _table(folder, name)
        if (lies / f"{name}.csv").read_bytes() != opendata.csv(frame):
            yield f"{name}.csv differs from {name}.json"
        if about.get("parquet", True):  # sets of earlier versions may have none
            stored = opendata.rounded(pd.read_parquet(lies / f"{name}.parquet"), columns)
            if not stored.equals(frame):
                yield f"{name}.parquet differs from {name}.json"


def _workbook(folder: Path) -> Iterator[str]:
    from python_calamine import CalamineWorkbook

    path = _of(folder, "workbook") / handover.WORKBOOK
    if not path.is_file():
        return
    w = words(_given(folder).language)
    sheet = CalamineWorkbook.from_path(path).get_sheet_by_name(w("sheet.results"))
    head, *rows = sheet.to_python(skip_empty_area=False)
    results = _table(folder, "results")
    if len(rows) != len(results):
        yield f"{len(rows)} rows in the workbook, {len(results)} in the data"
    names = ["row", "link_id", "wavelength_nm", "direction", "loss_db", "power_dbm", "limit_db",
             "margin_db", "uncertainty_db", "grade"]  # fmt: skip
    places = [head.index(w.label("column", name)) for name in names]
    expected = results[names].itertuples(index=False)
    for row, want in zip(rows, expected, strict=False):
        for place, value, name in zip(places, want, names, strict=True):
            if not _same(row[place], value):
                yield f"row {want[0]} {name}: {row[place]!r} in the workbook, {value!r} in the data"


def _same(cell: Any, value: Any) -> bool:
    if isinstance(value, str):
        return str(cell) == value
    if pd.isna(value):
        return bool(cell == "")
    return isinstance(cell, int | float) and bool(abs(cell - value) < 1e-9)


def _given(folder: Path) -> Particulars:
    """Give the particulars that decide how numbers are written in this set."""
    value = _about(folder)
    return Particulars(
        job=value["job"], customer="", site="", contractor="", settings=Settings(),
        as_of=value["as_of"], revision=int(value["revision"]), job_head=value["job_head"],
        language=value["language"], length_unit=value["length_unit"], paper=value["paper"],
    )  # fmt: skip


def _pages(folder: Path) -> Iterator[str]:
    """Give the text of every page of the record, volume by volume, without white space."""
    import pypdfium2

    lies = _of(folder, "record")
    volumes = [*sorted(lies.glob("record-*.pdf")), lies / handover.RECORD]
    for path in volumes:
        pdf = pypdfium2.PdfDocument(path)
        try:
            for page in pdf:
                text = page.get_textpage()
                yield "".join(text.get_text_range().replace("\u200b", "").split())
                text.close()
                page.close()
        finally:
            pdf.close()


def _record(folder: Path) -> Iterator[str]:
    """Find every row of the results on paper, in order."""
    results = _table(folder, "results")
    text = "".join(_pages(folder))
    at = 0
    for number, row in enumerate(resulttable.printed(results, _given(folder)), start=1):
        found = text.find(row, at, at + WITHIN) if number > 1 else text.find(row)
        if found < 0:
            found = text.find(row, at)
        if found < 0:
            one = results.iloc[number - 1]
            yield (
                f"row {number} ({one['link_id']} {one['wavelength_nm']} nm {one['direction']}) "
                "is not printed as the data say"
            )
        else:
            at = found + len(row)


def _seals(folder: Path) -> Iterator[str]:
    text = "".join(_pages(folder))
    if str(_about(folder)["job_head"]) not in text:
        yield "the job head is not printed"
    record = (_of(folder, "record") / handover.RECORD).relative_to(folder).as_posix()
    for name, sha256 in _listed(folder).items():
        if name != record and sha256 not in text:
            yield f"the hash of {name} is not printed"
