"""Measure pairing: whole jobs at first, and a new dump and an answer with what was settled before.

python3 scripts/bench_pairing.py                 10 000 and 100 000 records against as many links
python3 scripts/bench_pairing.py --records 10000

One label in a hundred is a key off. The whole jobs are one crew's; that which goes on has ten, of
which each makes a component of some 5 000 records. Every result with a memory is compared with the
result without, exactly.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from desk.demo import bulk  # noqa: E402
from ingest import derive, dumps, intake, pairings, planload, store  # noqa: E402
from ingest.job import Job  # noqa: E402
from ingest.jobtemplate import Beginning  # noqa: E402
from ingest.kept import Kept  # noqa: E402
from rules import pairing, tables  # noqa: E402
from rules.preparation import prepare  # noqa: E402

RECORDS = (10_000, 100_000)
READINGS, MORE = 100_000, 500
SLIPS, CREWS = 0.01, 10


@dataclass(frozen=True)
class Timed:
    """A pairing, and the seconds by the clock and of the processor that it took."""

    made: pairing.Pairing
    seconds: float
    cpu: float


def pair(kept: Kept, before: pairing.Memory | None = None) -> Timed:
    """Pair what is kept of a job; clocks, copies and runs are not counted."""
    ready = prepare(kept.stored, kept.run_sheets, kept.decided, kept.settings)
    begun, worked = time.perf_counter(), time.process_time()
    made = pairing.pair(
        kept.plan, ready.working, ready.runs, kept.decided, kept.parameters, kept.settings, before
    )
    return Timed(made, time.perf_counter() - begun, time.process_time() - worked)


def taken(folder: Path, made: bulk.Bulk, later: int = 0) -> list[Kept]:
    """Take dumps in; return what is kept of the job, without the last dump and with it."""
    job = Job.create(folder / "job", Beginning("bench", timezone="UTC"))
    planload.load(job, made.plan)
    out = []
    for paths in (made.dumps[: len(made.dumps) - later], made.dumps[len(made.dumps) - later :]):
        for path in paths:
            intake.receive_file(job, path)
        dumps.read_pending(job)
        out.append(derive.kept(job))
    return out


def stored(folder: Path, memory: pairing.Memory) -> tuple[pairing.Memory, float, int]:
    """Put a memory into the job's store and read it again; return it, the seconds, the bytes."""
    with store.writer(Job.open(folder / "job").store) as connection, store.transaction(connection):
        pairings.keep(connection, "job", pairings.pack(memory))
    begun = time.perf_counter()
    with store.reader(Job.open(folder / "job").store) as connection:
        found = pairings.load(connection, "job")
        (size,) = connection.execute(
            "SELECT sum(length(data)) FROM derived_block WHERE name = 'pairing'"
        ).fetchone()
    assert found is not None
    return found, time.perf_counter() - begun, size


def answered(kept: Kept, questions: pd.DataFrame) -> Kept:
    """Let somebody take the first proposal of a question of common size."""
    placing = questions.loc[questions["options"].str.contains('"link_ids"', regex=False)]
    asked = placing.sort_values(["readings", "question_id"]).iloc[len(placing) // 2]
    chosen = next(o for o in json.loads(asked["options"]) if o["action"] == "place")
    answer = {
        "answer_id": "1", "question_id": asked["question_id"], "action": "place", "who": "bench",
        "reading_ids": asked["reading_ids"], "link_ids": json.dumps(chosen["link_ids"]),
    }  # fmt: skip
    answers = tables.conform(pd.DataFrame([answer]), tables.ANSWERS)
    return replace(kept, decided=replace(kept.decided, answers=answers))


def same(one: pairing.Pairing, other: pairing.Pairing) -> None:
    """Stop where two pairings differ in anything that they found."""
    for name in ("pairs", "questions", "findings"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


def figures(records: tuple[int, ...] = RECORDS) -> dict[str, Any]:
    """Return what each pairing took, by what it was."""
    out: dict[str, Any] = {}
    for count in records:
        with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
            folder = Path(name)
            rows = count * bulk.ROWS_PER_PORT
            made = bulk.write(folder / "made", rows, both=False, slips=SLIPS)
            out[f"{count} records, {made.links} links"] = _told(pair(taken(folder, made)[-1]))
    with tempfile.TemporaryDirectory(prefix="glasstally-bench-") as name:
        folder = Path(name)
        made = bulk.write(folder / "made", READINGS + MORE, later=MORE, slips=SLIPS, crews=CREWS)
        early, late = taken(folder, made, later=1)
        first = pair(early)
        memory, seconds, size = stored(folder, first.made.memory)
        out[f"{READINGS} readings of {CREWS} crews, first"] = _told(first)
        out["reading what it settled from the store"] = f"{seconds:.2f} s, {size / 1e6:.1f} MB"
        for what, kept in (
            ("nothing new", early),
            (f"{MORE} more readings", late),
            ("one answer", answered(early, first.made.questions)),
        ):
            quick = pair(kept, memory)
            whole = first if kept is early else pair(kept)
            same(quick.made, whole.made)
            out[f"{what}, anew"] = _told(whole)
            out[f"{what}, with what was settled before"] = _told(quick)
    return out


def _told(timed: Timed) -> str:
    return f"{timed.seconds:.2f} s, processor {timed.cpu:.2f} s"


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--records", nargs="*", type=int, default=list(RECORDS))
    for name, value in figures(tuple(parser.parse_args().records)).items():
        print(f"{name:<52} {value}")


if __name__ == "__main__":
    main()
