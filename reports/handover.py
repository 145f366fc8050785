"""The set that is handed over: which files it holds and what each contains, as bytes or documents.

Making is in two steps, because the printed record carries the hash of every other file: first
`contents` and `documents`, then, with the seals of what those became, `reports.record.build`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence

import pandas as pd

from reports import facts, linkpages, opendata, retestlist, sampling, superseded
from reports.document import Document
from reports.particulars import Particulars, Seal
from reports.requirements import Requirement
from rules.evaluation import Evaluation

RECORD, WORKBOOK, MANIFEST, REVISION = (
    "record.pdf", "workbook.xlsx", "manifest.sha256", "revision.json",
)  # fmt: skip

FOLDERS = {
    "record": "", "workbook": "", "retests": "", "sample": "", "links": "", "data": "data",
    "originals": "originals", "journal": "journal", "certificates": "certificates",
    "superseded": "superseded",
}  # fmt: skip
"""Where each kind of files lies in a set unless the profile says otherwise."""


def contents(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame
) -> Iterator[tuple[str, str, bytes]]:
    """Make the open data, one file after the other: its kind, its path in that kind, its bytes.

    CSV, JSON, Parquet and a schema for every table, the replaced results as CSV in their own
    part, and the retest list as a page.
    """
    for name, frame in opendata.frames(evaluation, results, RECORD).items():
        yield "data", f"{name}.csv", opendata.csv(frame)
        yield "data", f"{name}.json", opendata.as_json(frame, name)
        yield "data", f"schema/{name}.schema.json", opendata.schema(name, opendata.PUBLIC[name])
        yield "data", f"{name}.parquet", opendata.parquet(frame)
    gone = opendata.rounded(facts.superseded(evaluation), opendata.SUPERSEDED)
    yield "superseded", "superseded.csv", opendata.csv(gone)
    yield "retests", "retests.html", retestlist.page(evaluation, given)


def documents(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    links: list[str],
) -> Iterator[tuple[str, Document]]:  # fmt: skip
    """Lay out every printed document but the record: its kind and the document."""
    yield "retests", retestlist.document(evaluation, given)
    yield "superseded", superseded.document(facts.superseded(evaluation), given)
    yield "sample", sampling.document(results, given, wanted.sample)
    if links:
        yield "links", linkpages.document(evaluation, given, results, links)


def folder(kind: str, wanted: Requirement) -> str:
    """Name the folder of a kind of files inside the set, as the profile wants it."""
    return wanted.set.folders.get(kind, FOLDERS[kind])


def seal(path: str, content: bytes) -> Seal:
    """Give a file's hash and size."""
    return Seal(path, hashlib.sha256(content).hexdigest(), len(content))


def manifest(seals: Iterable[Seal]) -> bytes:
    """List files as `sha256sum --check` and its like read them."""
    lines = sorted(f"{one.sha256}  {one.path}\n" for one in seals)
    return "".join(sorted(lines, key=lambda line: line[66:])).encode()


def revision(
    given: Particulars,
    state: str,
    counts: Mapping[str, int],
    links: str,
    wanted: Requirement,
) -> bytes:
    """Write what identifies a revision and how its files lie: for the next one, and for a proof."""
    value = {
        "format": 1,
        "job": given.job,
        "revision": given.revision,
        "previous": given.previous,
        "scope": list(given.scope),
        "draft": given.draft,
        "language": given.language,
        "paper": given.paper,
        "length_unit": given.length_unit,
        "as_of": given.as_of,
        "job_head": given.job_head,
        "chains": dict(given.chains),
        "state": state,
        "links": links,
        "folders": {kind: folder(kind, wanted) for kind in FOLDERS},
        "counts": dict(counts),
        "changes": [change.__dict__ for change in given.changes],
        "missing": list(given.missing),
    }
    return (json.dumps(value, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()


def state_of(parts: Sequence[bytes]) -> str:
    """Digest what a revision shows, so that an unchanged state is recognised."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()
