"""A partition that kills its worker in the middle of writing, once; for workers to import."""

from __future__ import annotations

import os
from pathlib import Path

from ingest import durable, partition
from ingest.partition import Partition

RUN = partition.run
WRITE = durable.write
FILES_BEFORE = 3
"""So many of its tables a partition has written when its worker dies."""


def run(work: Partition) -> float:
    """Do as `partition.run`; the first try at a partition named `dies` ends its process."""
    place = Path(work.to)
    died = place.with_name("died")
    if place.name == "dies" and not died.exists():
        durable.write = _write_and_die(died)
    try:
        return RUN(work)
    finally:
        durable.write = WRITE


def _write_and_die(died: Path):
    left = [FILES_BEFORE]

    def write(path: Path, data: bytes) -> None:
        if not left[0]:
            died.touch()
            os._exit(9)
        left[0] -= 1
        WRITE(path, data)

    return write
