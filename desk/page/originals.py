"""The lines of a dump around a reading, as they came from the meter."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from desk.page.office import Office, Row
from ingest import originals, plugins
from parsers import text

AROUND = 2
MOST_SHOWN_BYTES = 64 * 1024 * 1024
"""A larger dump is not opened for the sake of a few lines."""
LONGEST = 240
"""Characters of a line that are shown."""
BINARY = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""First bytes of workbooks (ZIP, compound file): their rows are no lines."""


def around(office: Office, readings: Sequence[Row]) -> list[Row]:
    """Return the lines of readings of one dump that follow each other, two before and two after.

    Each: number, before, marked, after, here. `marked` is the label where it stands in the line.
    Empty for dumps that have no lines.
    """
    body = _body(office, readings[0]["dump_sha256"], readings[0]["parser"])
    if body is None:
        return []
    labels = {row["line"] - 1: row["label"] for row in readings}
    first, last = min(labels), max(labels)
    out = []
    for index in range(max(0, first - AROUND), min(len(body.starts), last + 1 + AROUND)):
        here = index in labels
        line, label = body.line(index)[:LONGEST], labels.get(index, "")
        at = line.find(label) if label else -1
        end = at + len(label)
        out.append(
            {
                "number": index + 1,
                "here": here,
                "before": line[:at] if at >= 0 else line,
                "marked": line[at:end] if at >= 0 else "",
                "after": line[end:] if at >= 0 else "",
            }
        )
    return out


def _body(office: Office, sha256: str, parser: str) -> text.Text | None:
    return _decoded(
        str(originals.path_of(office.job().originals, sha256)), _encoding(office, parser)
    )


def _encoding(office: Office, parser: str) -> str:
    """Name the encoding that the parser of a dump declares; UTF-8 where it declares none."""

    def known() -> dict[str, str]:
        found: dict[str, str] = {}
        for one in plugins.of_job(office.job()).parsers:
            profile: Any = getattr(one, "profile", None)
            if profile is not None:
                found[one.name] = profile.text.encoding
        return found

    return office.shelf.get(office.mark(), "encodings", known).get(parser, "utf-8")


@lru_cache(maxsize=8)
def _decoded(path: str, encoding: str) -> text.Text | None:
    """Read an original once; its name is its content, so it cannot change."""
    from pathlib import Path

    file = Path(path)
    if not file.exists() or file.stat().st_size > MOST_SHOWN_BYTES:
        return None
    data = file.read_bytes()
    return None if data.startswith(BINARY) else text.read(data, encoding)
