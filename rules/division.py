"""Who holds what of a part that is several regions at once.

Evaluating many small regions one by one would cost many times what they cost together. So they are
evaluated as one part, and what each of them holds is then told apart: by dump, or by link.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import completion, ends, grade_findings
from rules.columns import Ints, codes
from rules.evaluation import Plan
from rules.parts import Part

NOBODY = -1
"""The number of no region."""


@dataclass(frozen=True)
class Owners:
    """The number of the region that holds each dump, run sheet and link of a part.

    link: of each link of the plan that the part was judged against.
    """

    plan: Plan
    dump: Mapping[str, int]
    sheet: Mapping[str, int]
    link: Ints


Held = dict[str, pd.DataFrame]
"""What regions hold, by name, each table with the number of the `region`."""


def divide(part: Part, owners: Owners, *, sole: bool = False) -> Held | None:
    """Tell what each region holds of a part; None where something is not to be told apart.

    With `sole` there is one region alone, number 0, and everything is its own.

    Tables: `planned` and `readings` (rows of each), `run`, `finding`, `question` (their ids),
    `completion` (COMPLETION), `wide` (FOUND), `concerned`, `lacking` (LACKED).
    """
    by = _By(part, owners)
    finding, wide = by.findings(part.findings), by.findings(part.wide.findings)
    question = by.questions(finding)
    run = by.found(part.runs["run_id"], by.run)
    told = (finding, wide, question, run)
    if sole:
        finding, wide, question, run = (np.zeros_like(number) for number in told)
    elif any((number == NOBODY).any() for number in told):
        return None
    of_test = by.found(part.planned["link_id"], by.link)
    of_reading = by.found(part.readings["dump_sha256"], owners.dump)
    return {
        "planned": pd.DataFrame({"region": of_test}),
        "readings": pd.DataFrame({"region": of_reading}),
        "run": part.runs[["run_id"]].assign(region=run),
        "finding": part.findings[["finding_id"]].assign(region=finding),
        "question": part.questions[["question_id"]].assign(region=question),
        "completion": completion.by_region(part.test_states, owners.plan.links, owners.link),
        "wide": part.wide.findings.assign(region=wide),
        "concerned": part.wide.readings.assign(
            region=by.found(part.wide.readings["dump_sha256"], owners.dump)
        ),
        "lacking": grade_findings.counted(part.lacking, by.found(part.lacking["link_id"], by.link)),
    }


class _By:
    """Regions by everything that a finding or a question may name."""

    def __init__(self, part: Part, owners: Owners) -> None:
        self.part, self.owners = part, owners
        links = owners.plan.links
        number = owners.link.tolist()
        self.link = dict(zip(links["link_id"], number, strict=True))
        self.cable = dict(zip(ends.cable(links), number, strict=True))
        self.short = {dump[:16]: number for dump, number in owners.dump.items()}
        readings = part.readings
        dump, dumps = codes(readings["dump_sha256"])
        of_dump = np.array([owners.dump.get(d, NOBODY) for d in dumps], dtype="int64")
        self.run, self.meter = (
            self._of(readings[name], of_dump[dump] if len(dump) else dump)
            for name in ("run_id", "meter_serial")
        )

    @staticmethod
    def _of(column: pd.Series, region: Ints) -> dict[str, int]:
        number, names = codes(column)
        some = np.zeros(len(names), dtype="int64")
        some[number] = region
        return dict(zip(names, some.tolist(), strict=True))

    @staticmethod
    def found(column: pd.Series, known: Mapping[str, int]) -> Ints:
        """Return the region of each text, NOBODY for one that is not known."""
        number, names = codes(column)
        region = np.array([known.get(name, NOBODY) for name in names], dtype="int64")
        return region[number] if len(number) else number

    def findings(self, found: pd.DataFrame) -> Ints:
        """Return the region of each finding (FOUND): of the first thing that it names."""
        out = np.full(len(found), NOBODY, dtype="int64")
        by = (
            (found["reading_id"].str.slice(0, 16), self.short), (found["run_id"], self.run),
            (found["dump_sha256"], self.owners.dump), (found["link_id"], self.link),
            (found["cable"], self.cable), (found["sheet_id"], self.owners.sheet),
            (found["meter_serial"], self.meter),
        )  # fmt: skip
        for column, known in by:
            out = np.where((out == NOBODY) & (column != ""), self.found(column, known), out)
        return out

    def questions(self, finding: Ints) -> Ints:
        """Return the region of each question: of its first reading, else of a finding behind it."""
        asked = self.part.questions
        behind = dict(zip(self.part.findings["question_id"], finding.tolist(), strict=True))
        # a list of ids begins with a bracket and a quotation mark
        first = self.found(asked["reading_ids"].str.slice(2, 18), self.short)
        return np.where(first == NOBODY, self.found(asked["question_id"], behind), first)
