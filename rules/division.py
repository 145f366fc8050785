"""Who holds what of a part that is several regions at once.

Evaluating many small regions one by one would cost many times what they cost together. So they are
evaluated as one part, and what each of them holds is then told apart: by dump, or by link.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from rules import completion, ends, grade_findings
from rules.columns import Ints, codes, positions
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
    if sole:
        finding, wide, question, run = (
            np.zeros(len(rows), dtype="int64")
            for rows in (part.findings, part.wide.findings, part.questions, part.runs)
        )
    else:
        finding, wide = by.findings(part.findings), by.findings(part.wide.findings)
        question, run = by.questions(finding), by.found(part.runs["run_id"], by.run)
        if any((number == NOBODY).any() for number in (finding, wide, question, run)):
            return None
    return {
        "planned": pd.DataFrame({"region": by.links(part.planned["link_id"])}),
        "readings": pd.DataFrame({"region": by.found(part.readings["dump_sha256"], owners.dump)}),
        "run": part.runs[["run_id"]].assign(region=run),
        "finding": part.findings[["finding_id"]].assign(region=finding),
        "question": part.questions[["question_id"]].assign(region=question),
        "completion": completion.by_region(part.test_states, owners.plan.links, owners.link),
        "wide": part.wide.findings.assign(region=wide),
        "concerned": part.wide.readings.assign(
            region=by.found(part.wide.readings["dump_sha256"], owners.dump)
        ),
        "lacking": grade_findings.counted(part.lacking, by.links(part.lacking["link_id"])),
    }


class _By:
    """Regions by everything that a finding or a question may name."""

    def __init__(self, part: Part, owners: Owners) -> None:
        self.part, self.owners = part, owners
        self.short = {dump[:16]: number for dump, number in owners.dump.items()}

    @cached_property
    def run(self) -> dict[str, int]:
        """Return the region of each run."""
        return self._of_readings("run_id")

    @cached_property
    def meter(self) -> dict[str, int]:
        """Return the region of each meter."""
        return self._of_readings("meter_serial")

    def _of_readings(self, name: str) -> dict[str, int]:
        readings = self.part.readings
        region = self.found(readings["dump_sha256"], self.owners.dump)
        number, names = codes(readings[name])
        some = np.zeros(len(names), dtype="int64")
        some[number] = region
        return dict(zip(names, some.tolist(), strict=True))

    def links(self, column: pd.Series) -> Ints:
        """Return the region of each link, NOBODY for one that is not known."""
        number, names = codes(column)
        row = positions(self.owners.plan.links["link_id"], pd.Series(names, dtype="str"))
        region = np.append(self.owners.link, NOBODY)[row]
        return region[number] if len(number) else number

    @cached_property
    def cable(self) -> dict[str, int]:
        """Return the region of each cable."""
        number, names = codes(ends.cable(self.owners.plan.links))
        some = np.zeros(len(names), dtype="int64")
        some[number] = self.owners.link
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
        sheet = self.owners.sheet
        by: tuple[tuple[pd.Series, Callable[[pd.Series], Ints]], ...] = (
            (found["reading_id"].str.slice(0, 16), lambda one: self.found(one, self.short)),
            (found["run_id"], lambda one: self.found(one, self.run)),
            (found["dump_sha256"], lambda one: self.found(one, self.owners.dump)),
            (found["link_id"], self.links),
            (found["cable"], lambda one: self.found(one, self.cable)),
            (found["sheet_id"], lambda one: self.found(one, sheet)),
            (found["meter_serial"], lambda one: self.found(one, self.meter)),
        )
        for column, region in by:
            rows = np.flatnonzero((out == NOBODY) & (column != "").to_numpy())
            if len(rows):
                out[rows] = region(column.take(rows))
        return out

    def questions(self, finding: Ints) -> Ints:
        """Return the region of each question: of its first reading, else of a finding behind it."""
        asked = self.part.questions
        behind = dict(zip(self.part.findings["question_id"], finding.tolist(), strict=True))
        # a list of ids begins with a bracket and a quotation mark
        first = self.found(asked["reading_ids"].str.slice(2, 18), self.short)
        return np.where(first == NOBODY, self.found(asked["question_id"], behind), first)
