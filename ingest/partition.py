"""Evaluate one job as a partition: Parquet in, Parquet out, the same wherever it runs.

`run` is all that another machine needs to know. It keeps no state and writes what it has computed,
each file whole or not at all, so that running it again, or twice at once, changes nothing.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from ingest import collected, inputs


@dataclass(frozen=True)
class Partition:
    """Where a job's inputs lie and where its tables go."""

    source: str
    to: str
    readings: int = 0


def run(work: Partition) -> float:
    """Evaluate the inputs and write the job's tables; give the seconds that it took."""
    begun = time.perf_counter()
    given = inputs.read(Path(work.source))
    made = given.evaluated().spelled()
    collected.write(Path(work.to), collected.of_evaluation(given, made))
    return round(time.perf_counter() - begun, 3)
