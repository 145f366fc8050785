"""The one entry: from everything that is kept to everything that is derived."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from rules import completion, limits, pairing, parts, preparation, tables
from rules.evaluation import Decisions, Evaluation, Plan, RunSheets
from rules.settings import Settings


def evaluate(
    plan: Plan,
    readings: pd.DataFrame,
    run_sheets: RunSheets,
    sets: limits.Sets,
    decisions: Decisions,
    parameters: pairing.Parameters,
    settings: Settings,
    as_of: str,
    between: Callable[[], object] = lambda: None,
) -> Evaluation:
    """Derive runs, pairs, findings, questions, grades and completion from what is kept.

    `readings` is STORED, `sets` every known limit set by name, `as_of` the time of the newest
    journal entry. Nothing depends on the order of rows or dumps; the same arguments give the same
    evaluation. `between` is called where much was let go of that later stages do not take again.
    """
    ready = preparation.prepare(readings, run_sheets, decisions, settings)
    between()
    paired = pairing.pair(plan, ready.working, ready.runs, decisions, parameters, settings)
    part = parts.judge(plan, ready, paired, run_sheets, sets, decisions, settings, between)
    findings, questions = parts.of_job(
        [part.wide, parts.of_plan(plan, decisions, settings)], part.lacked(), decisions
    )
    found = pd.concat([tables.conform(part.findings, tables.FINDINGS), findings]).sort_values(
        "finding_id", ignore_index=True
    )
    asked = pd.concat([part.questions, questions]).sort_values(
        ["weight", "question_id"], ascending=[False, True], ignore_index=True
    )
    return Evaluation(
        as_of=as_of,
        plan=plan,
        planned=part.planned,
        readings=part.readings,
        runs=part.runs,
        pairs=part.pairs,
        findings=tables.conform(
            found.sort_values("finding_id", ignore_index=True), tables.FINDINGS
        ),
        questions=tables.conform(asked, tables.QUESTIONS),
        limits=part.limits,
        grades=part.grades,
        test_states=part.test_states,
        completion=completion.count(part.test_states, plan.links),
        retests=part.retests,
        balance=part.balance,
    )
