"""Evaluate one job as a partition: Parquet in, Parquet out, the same wherever it runs.

`run` is all that another machine needs to know. It keeps no state and writes what it has computed,
each file whole or not at all, so that running it again, or twice at once, changes nothing.
"""

from __future__ import annotations

import time
from pathlib import Path

from ingest import collected, inputs

Done = dict[str, int | float | str]
"""What a partition says of itself when it is done: folder, readings, seconds."""


def run(folder: str) -> Done:
    """Evaluate `folder`/inputs and write the job's tables into `folder`; say what was done."""
    begun = time.perf_counter()
    given = inputs.read(Path(folder) / inputs.FOLDER)
    made = given.evaluated()
    collected.write(Path(folder), collected.of_evaluation(given, made))
    took = time.perf_counter() - begun
    return {"folder": folder, "readings": len(given.stored), "seconds": round(took, 3)}
