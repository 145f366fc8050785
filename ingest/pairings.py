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
"""What its blocks in `derived_block` are called; each is found by its region."""
_CLASSES = ("one", "two")


def load(connection: sqlite3.Connection, region: str) -> Memory | None:
    """Return what the last evaluation stored of a region, None where that cannot be used."""
    found = connection.execute(
        "SELECT data FROM derived_block WHERE name = ? AND first = ?", (_NAME, region)
    ).fetchone()
    return None if found is None else unpack(found[0])


def unpack(packed: bytes) -> Memory | None:
    """Turn what `pack` made into a memory again, None where it cannot be used."""
    try:
        said = {n: made.to_pandas() for n, made in arrow.unbundle(_NAME, packed).items()}
        ground = said["ground"].iloc[0].to_dict()
        if ground.pop("code") != code():
            return None
        one, two = (_class(said, name) for name in _CLASSES)
        return Memory(ground["ground"], one, two, said["questions"])
    except (Damaged, KeyError, IndexError):
        return None


def forget(connection: sqlite3.Connection) -> None:
    """Remove what is kept of all regions, inside the caller's transaction."""
    connection.execute("DELETE FROM derived_block WHERE name = ?", (_NAME,))


def pack(memory: Memory) -> bytes:
    """Write a memory down, as it lies in the store."""
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
    return arrow.bundle({name: arrow.table(frame) for name, frame in made.items()})


def keep(connection: sqlite3.Connection, region: str, packed: bytes | None) -> None:
    """Replace what is kept of a region, or remove it, inside the caller's transaction."""
    connection.execute("DELETE FROM derived_block WHERE name = ? AND first = ?", (_NAME, region))
    if packed is not None:
        connection.execute(
            "INSERT INTO derived_block (name, first, data) VALUES (?, ?, ?)",
            (_NAME, region, packed),
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
