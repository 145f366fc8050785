"""The one entry: from everything that is kept to everything that is derived."""

from __future__ import annotations

import pandas as pd

from rules import (
    balance,
    causes,
    checks,
    clocks,
    completion,
    duplicates,
    grades,
    limits,
    pairing,
    planned,
    references,
    retests,
    runs,
    suspicions,
    tables,
)
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
) -> Evaluation:
    """Derive runs, pairs, findings, questions, grades and completion from what is kept.

    `readings` is STORED, `sets` every known limit set by name, `as_of` the time of the newest
    journal entry. Nothing depends on the order of rows or dumps; the same arguments give the same
    evaluation.
    """
    working, of_clocks = clocks.resolve(readings, settings)
    working, of_copies, ask_copies = duplicates.mark(working, decisions)
    working, run_table, of_runs, ask_runs = runs.assign(working, run_sheets, settings)
    working, of_references = references.apply(working, run_table, run_sheets, settings)
    tests = planned.expand(plan.links, settings)
    paired = pairing.pair(plan, working, run_table, decisions, parameters, settings)

    needs = limits.needs(tests, paired.pairs, working, run_table, settings)
    confirmed = limits.confirmed_names(decisions.acts, sets)
    limit_rows = limits.for_links(plan.links, needs, sets, settings, confirmed)
    context = checks.Context(
        plan, working, run_table, run_sheets, paired.pairs, decisions, settings, tests, limit_rows
    )
    early = suspicions.join(
        causes.settle(
            suspicions.join(of_clocks, of_copies, of_runs, of_references, paired.findings),
            decisions,
        ),
        checks.before(context),
    )
    stopped = _stopped(early, working)
    graded = grades.grade(
        tests, working, paired.pairs, limit_rows, stopped, decisions, run_table, settings
    )
    late = checks.after(context.graded(graded.grades))
    found = suspicions.join(early, causes.settle(graded.findings, decisions), late)
    findings, ask_causes = causes.group(found, working, run_table, decisions)
    questions = tables.conform(
        pd.concat(
            [ask_copies, ask_runs, paired.questions, graded.questions, ask_causes],
            ignore_index=True,
        ),
        tables.QUESTIONS,
    ).sort_values(["weight", "question_id"], ascending=[False, True], ignore_index=True)
    states = completion.test_states(
        tests, graded.grades, paired.pairs, questions, decisions.acts, settings
    )
    return Evaluation(
        as_of=as_of,
        plan=plan,
        planned=tests,
        readings=tables.conform(clocks.printed(working, settings), tables.READINGS),
        runs=run_table,
        pairs=paired.pairs,
        findings=findings,
        questions=questions,
        limits=limit_rows,
        grades=graded.grades,
        test_states=states,
        completion=completion.count(states, plan.links),
        retests=retests.make(states, plan.links, decisions.answers),
        balance=balance.balance(working, paired.pairs, stopped),
    )


def _stopped(found: pd.DataFrame, working: pd.DataFrame) -> pd.Series:
    """Return the reading_ids that an open `stop` finding keeps from being graded."""
    stops = found.loc[found["severity"] == "stop"]
    named = stops.loc[stops["reading_id"] != "", "reading_id"]
    scope = causes.Scope(working)
    wide = stops.loc[stops["reading_id"] == ""].to_dict("records")
    rows = [working["reading_id"].take(scope.rows(finding)) for finding in wide]
    return pd.concat([named, *rows], ignore_index=True).drop_duplicates()
