"""What a part of a job comes to, and the whole out of its parts.

A part is some readings with all that may stand beside them: the other readings of their meters and
sources, the links around the places where they may have been measured, and whoever else measured
there. What a part gives does not depend on the rest of the job, but for its `Wide` and `lacking`,
which are asked about once in the whole job. A whole job is a part too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import (
    alongside,
    balance,
    causes,
    checks,
    clocks,
    columns,
    completion,
    grade_findings,
    grades,
    limits,
    planned,
    retests,
    suspicions,
    tables,
)
from rules.causes import Wide
from rules.evaluation import Decisions, Plan, Results, RunSheets
from rules.pairing import Pairing
from rules.preparation import Prepared
from rules.scope import CONCERNED, Scope
from rules.settings import Settings


@dataclass(frozen=True, kw_only=True)
class Part(Results):
    """The results of a part of a job, and what is left to ask in the whole.

    `findings` has the other columns of FOUND too, which say whose each is.
    """

    wide: Wide
    lacking: pd.DataFrame
    """Links whose limit is missing or unconfirmed (`grade_findings.LACKING`)."""

    def lacked(self) -> pd.DataFrame:
        """Count the links whose limit is missing or unconfirmed (`grade_findings.LACKED`)."""
        counted = grade_findings.counted(self.lacking, np.zeros(len(self.lacking), dtype="int64"))
        return tables.conform(counted, grade_findings.LACKED)


def judge(
    plan: Plan,
    ready: Prepared,
    paired: Pairing,
    run_sheets: RunSheets,
    sets: limits.Sets,
    decisions: Decisions,
    settings: Settings,
    between: Callable[[], object] = lambda: None,
) -> Part:
    """Check and grade paired readings against the links around them.

    `plan` holds the links of the part, `decisions` may be those of the whole job. `between` is
    called where much was let go of that later stages do not take again.
    """
    working, run_table = ready.working, ready.runs
    tests = planned.expand(plan.links, settings)
    # the names of all links of a job would be looked through again and again for those of a part
    link_id = columns.renamed(paired.pairs["link_id"], plan.links["link_id"])
    pairs = paired.pairs.assign(link_id=link_id)
    beside = alongside.pairs_of(working, pairs)
    needs = limits.needs(tests, beside, working, run_table, settings)
    confirmed = limits.confirmed_names(decisions.acts, sets)
    limit_rows = limits.for_links(plan.links, needs, sets, settings, confirmed)
    context = checks.Context(
        plan, working, run_table, run_sheets, beside, decisions, settings, tests, limit_rows
    )
    early = suspicions.join(
        causes.settle(
            suspicions.join(*ready.findings, paired.findings),
            decisions,
        ),
        checks.before(context),
    )
    context = context.lean()
    stopped = _stopped(early, working)
    graded = grades.grade(
        tests, working, beside, limit_rows, stopped, decisions, run_table, settings
    )
    late = checks.after(context.graded(graded.grades))
    del context  # what it has made of the readings is as large as they are
    between()
    found = suspicions.join(early, causes.settle(graded.findings, decisions), late)
    findings, ask_causes, wide = causes.group(found, working, run_table, decisions)
    between()
    questions = tables.conform(
        pd.concat(
            [*ready.questions, paired.questions, graded.questions, ask_causes],
            ignore_index=True,
        ),
        tables.QUESTIONS,
    )
    states = completion.test_states(
        tests, graded.grades, pairs, questions, decisions.acts, settings
    )
    between()
    return Part(
        planned=tests,
        readings=tables.conform(clocks.printed(working, settings), tables.READINGS),
        runs=run_table,
        pairs=pairs,
        findings=findings,
        questions=questions,
        limits=limit_rows,
        grades=graded.grades,
        test_states=states,
        retests=retests.make(states, plan.links, decisions.answers),
        balance=balance.balance(working, beside, stopped),
        wide=wide,
        lacking=graded.lacking,
    )


NOTHING = Pairing(
    tables.conform(tables.empty(tables.PAIRS), tables.PAIRS), np.zeros(0, dtype="int64"),
    tables.empty(tables.QUESTIONS), tables.empty(tables.FINDINGS), None,
)  # fmt: skip
"""The pairing of no readings."""


def of_plan(plan: Plan, decisions: Decisions, settings: Settings) -> Wide:
    """Return what a whole plan gives away by itself, whatever was measured."""
    nothing = tables.empty(tables.READINGS)
    context = checks.Context(
        plan, nothing, tables.empty(tables.RUNS), RunSheets(), tables.empty(alongside.BESIDE),
        decisions, settings,
    )  # fmt: skip
    return Wide(checks.of_plan(context), tables.empty(CONCERNED))


def of_job(
    wide: Sequence[Wide], lacked: pd.DataFrame, decisions: Decisions
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return (FINDINGS, QUESTIONS) of what all parts leave to be asked once, and of the plan."""
    limited = causes.settle(grade_findings.of_job(lacked), decisions)
    return causes.ask_wide([*wide, Wide(limited, tables.empty(CONCERNED))], decisions)


def _stopped(found: pd.DataFrame, working: pd.DataFrame) -> pd.Series:
    """Return the reading_ids that an open `stop` finding keeps from being graded."""
    stops = found.loc[found["severity"] == "stop"]
    named = stops.loc[stops["reading_id"] != "", "reading_id"]
    scope = Scope(working)
    wide = stops.loc[stops["reading_id"] == ""].to_dict("records")
    rows = [working["reading_id"].take(scope.rows(finding)) for finding in wide]
    return pd.concat([named, *rows], ignore_index=True).drop_duplicates()
