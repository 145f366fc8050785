"""What pairing settled of each region, kept in the store for the next evaluation to take over.

It lies beside the derived tables, behind the same sums, and may be thrown away at any time: what
is damaged, of other code or of another form is as good as none, and everything is paired anew.
`verify` never reads it, and so proves what was derived with its help.
"""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import fields
from functools import cache
from importlib import resources
from typing import Any

import pandas as pd

from ingest import arrow
from ingest.errors import Damaged
from rules.pairing import Memory, Remembered

_NAME = "pairing"
"""What its blocks in `derived_block` are called: then follow the region and which table it is."""
_OF = "\x1f"
_CLASSES = ("one", "two")


def load(connection: sqlite3.Connection, region: str) -> Memory | None:
    """Return what the last evaluation stored of a region, None where that cannot be used."""
    found = connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ? AND first >= ? AND first < ?",
        (_NAME, *_span(region)),
    ).fetchall()
    try:
        said = {
            first.partition(_OF)[2]: arrow.unpack(_NAME, data).to_pandas() for first, data in found
        }
        ground = said["ground"].iloc[0].to_dict()
        if ground.pop("code") != code():
            return None
        one, two = (_class(said, name) for name in _CLASSES)
        return Memory(ground["ground"], one, two, said["questions"])
    except (Damaged, KeyError, IndexError):
        return None


def forget(connection: sqlite3.Connection, region: str | None = None) -> None:
    """Remove what is kept of a region, or of all, inside the caller's transaction."""
    span = ("", "\x7f") if region is None else _span(region)
    connection.execute(
        "DELETE FROM derived_block WHERE name = ? AND first >= ? AND first < ?", (_NAME, *span)
    )


def _span(region: str) -> tuple[str, str]:
    """Return the keys between which the blocks of a region lie."""
    return region + _OF, region + chr(ord(_OF) + 1)


def keep(connection: sqlite3.Connection, region: str, memory: Memory | None) -> None:
    """Replace what is kept of a region, inside the caller's transaction."""
    forget(connection, region)
    if memory is None:
        return
    made: dict[str, pd.DataFrame] = {
        "ground": pd.DataFrame({"ground": [memory.ground], "code": [code()]}),
        "questions": memory.questions,
    }
    for name in _CLASSES:
        kept: Remembered | None = getattr(memory, name)
        if kept is not None:
            made |= {
                f"{name} {field.name}": getattr(kept, field.name) for field in fields(Remembered)
            }
    connection.executemany(
        "INSERT INTO derived_block (name, first, data) VALUES (?, ?, ?)",
        (
            (_NAME, f"{region}{_OF}{name}", arrow.pack(arrow.table(frame)))
            for name, frame in made.items()
        ),
    )


def _class(said: dict[str, Any], name: str) -> Remembered | None:
    if f"{name} runs" not in said:
        return None
    return Remembered(*(said[f"{name} {field.name}"] for field in fields(Remembered)))


@cache
def code() -> str:
    """Return the digest of the rules that this program runs: what others settled does not count."""
    out = hashlib.sha256()
    places = [resources.files("rules")]
    while places:
        place = places.pop()
        for entry in sorted(place.iterdir(), key=lambda entry: entry.name):
            if entry.is_dir():
                places.append(entry)
            elif entry.name.endswith((".py", ".toml")):
                out.update(entry.name.encode() + b"\0" + entry.read_bytes())
    return out.hexdigest()
