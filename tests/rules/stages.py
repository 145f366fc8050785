"""The stages of an evaluation in a row, with the true pairs in place of the pairing engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import (
    causes,
    checks,
    clocks,
    duplicates,
    grade_findings,
    grades,
    limits,
    parts,
    planned,
    references,
    runs,
    suspicions,
    tables,
)
from rules.scope import Scope
from tests.rules.clean_job import Job

SETS = limits.load()


@dataclass(frozen=True)
class Outcome:
    working: pd.DataFrame
    runs: pd.DataFrame
    found: pd.DataFrame
    """FOUND: with the scope of each finding."""
    findings: pd.DataFrame
    questions: pd.DataFrame

    def touched(self, code: str) -> set[str]:
        """Return the reading ids that findings of one code are about."""
        scope = Scope(self.working)
        out: set[str] = set()
        for row in self.found.loc[self.found["code"] == code].to_dict("records"):
            out |= set(self.working["reading_id"].iloc[scope.rows(row)])
        return out


def _stopped(found: pd.DataFrame, working: pd.DataFrame) -> list[str]:
    scope = Scope(working)
    stops = found.loc[found["severity"] == "stop"].to_dict("records")
    rows = [scope.rows(finding) for finding in stops] or [np.array([], "int64")]
    return list(working["reading_id"].take(np.unique(np.concatenate(rows))))


def true_pairs(job: Job, working: pd.DataFrame) -> pd.DataFrame:
    link = job.stored.set_index("reading_id")["true_link"].reindex(working["reading_id"])
    link = link.fillna("").to_numpy()
    status = np.where(working["duplicate_of"] != "", "duplicate",
                      np.where(link == "", "outside-plan", "paired"))  # fmt: skip
    return tables.conform(
        pd.DataFrame(
            {"reading_id": working["reading_id"], "link_id": link, "kind": "link",
             "wavelength_nm": working["wavelength_nm"], "direction": working["direction"],
             "status": status, "how": "exact", "confidence": 1.0}
        ),
        tables.PAIRS,
    )  # fmt: skip


def run(job: Job) -> Outcome:
    stored = tables.conform(job.stored, tables.STORED)
    working, of_clocks = clocks.resolve(stored, job.settings)
    working, of_copies, ask_copies = duplicates.mark(working, job.decisions)
    working, run_table, of_runs, ask_runs = runs.assign(working, job.sheets, job.settings)
    working, of_references = references.apply(working, run_table, job.sheets, job.settings)
    tests = planned.expand(job.plan.links, job.settings)
    pairs = true_pairs(job, working)
    needs = limits.needs(tests, pairs, working, run_table, job.settings)
    rows = limits.for_links(job.plan.links, needs, SETS, job.settings, frozenset(SETS))
    context = checks.Context(
        job.plan, working, run_table, job.sheets, pairs, job.decisions, job.settings, tests, rows
    )
    early = suspicions.join(
        causes.settle(
            suspicions.join(of_clocks, of_copies, of_runs, of_references), job.decisions
        ),
        checks.before(context),
    )  # fmt: skip
    graded = grades.grade(
        tests, working, pairs, rows, _stopped(early, working), job.decisions, run_table,
        job.settings,
    )  # fmt: skip
    found = suspicions.join(
        early, causes.settle(graded.findings, job.decisions),
        checks.after(context.graded(graded.grades)),
    )  # fmt: skip
    findings, questions, wide = causes.group(found, working, run_table, job.decisions)
    alone = parts.of_plan(job.plan, job.decisions, job.settings)
    lacked = grade_findings.counted(graded.lacking, np.zeros(len(graded.lacking), "int64"))
    of_job, also = parts.of_job([wide, alone], lacked, job.decisions)
    found = suspicions.join(found, of_job.loc[~of_job["code"].isin(wide.findings["code"])])
    findings = tables.conform(pd.concat([findings, of_job]), tables.FINDINGS)
    questions = pd.concat([ask_copies, ask_runs, questions, also], ignore_index=True)
    return Outcome(working, run_table, found, findings, questions)
