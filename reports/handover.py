"""The set that is handed over: which files it holds and what each contains, as bytes or documents.

Making is in two steps, because the printed record carries the hash of every other file: first
`contents` and `documents`, then, with the seals of what those became, `reports.record.build`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence

import pandas as pd

from reports import opendata, workbook
from reports.particulars import Particulars, Seal
from rules.evaluation import Evaluation

RECORD, WORKBOOK, MANIFEST, REVISION = (
    "record.pdf", "workbook.xlsx", "manifest.sha256", "revision.json",
)  # fmt: skip

Maker = Callable[[Evaluation, Particulars, pd.DataFrame], bytes]


def contents(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, with_parquet: bool
) -> dict[str, bytes]:
    """Make the open data: CSV, JSON, schemas and, where pyarrow is there, Parquet."""
    files: dict[str, bytes] = {}
    for name, frame in opendata.frames(evaluation, results, RECORD).items():
        files[f"data/{name}.csv"] = opendata.csv(frame)
        files[f"data/{name}.json"] = opendata.as_json(frame, name)
        files[f"data/schema/{name}.schema.json"] = opendata.schema(name, opendata.PUBLIC[name])
        if with_parquet:
            files[f"data/{name}.parquet"] = opendata.parquet(frame)
    return files


def book(evaluation: Evaluation, given: Particulars, results: pd.DataFrame) -> bytes:
    """Make the workbook."""
    return workbook.build(evaluation, given, results)


def seal(path: str, content: bytes) -> Seal:
    """Give a file's hash and size."""
    return Seal(path, hashlib.sha256(content).hexdigest(), len(content))


def manifest(seals: Iterable[Seal]) -> bytes:
    """List files as `sha256sum --check` and its like read them."""
    lines = sorted(f"{one.sha256}  {one.path}\n" for one in seals)
    return "".join(sorted(lines, key=lambda line: line[66:])).encode()


def revision(given: Particulars, state: str, counts: Mapping[str, int]) -> bytes:
    """Write what identifies a revision for the next one and for other tools."""
    value = {
        "format": 1,
        "job": given.job,
        "revision": given.revision,
        "previous": given.previous,
        "scope": list(given.scope),
        "draft": given.draft,
        "as_of": given.as_of,
        "job_head": given.job_head,
        "chains": dict(given.chains),
        "state": state,
        "counts": dict(counts),
        "changes": [change.__dict__ for change in given.changes],
    }
    return (json.dumps(value, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()


def state_of(parts: Sequence[bytes]) -> str:
    """Digest what a revision shows, so that an unchanged state is recognised."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()
