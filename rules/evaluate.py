"""The one entry: from everything that is kept to everything that is derived."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from rules import (
    alongside,
    balance,
    causes,
    checks,
    clocks,
    completion,
    grades,
    limits,
    pairing,
    planned,
    preparation,
    retests,
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
    between: Callable[[], object] = lambda: None,
    before: pairing.Memory | None = None,
) -> Evaluation:
    """Derive runs, pairs, findings, questions, grades and completion from what is kept.

    `readings` is STORED, `sets` every known limit set by name, `as_of` the time of the newest
    journal entry. Nothing depends on the order of rows or dumps; the same arguments give the same
    evaluation. `between` is called where much was let go of that later stages do not take again.
    `before`, the memory of an earlier evaluation, saves time and changes nothing.
    """
    ready = preparation.prepare(readings, run_sheets, decisions, settings)
    working, run_table = ready.working, ready.runs
    between()
    tests = planned.expand(plan.links, settings)
    paired = pairing.pair(plan, working, run_table, decisions, parameters, settings, before)

    beside = alongside.pairs_of(working, paired.pairs)
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
    findings, ask_causes = causes.group(found, working, run_table, decisions)
    between()
    questions = tables.conform(
        pd.concat(
            [*ready.questions, paired.questions, graded.questions, ask_causes],
            ignore_index=True,
        ),
        tables.QUESTIONS,
    ).sort_values(["weight", "question_id"], ascending=[False, True], ignore_index=True)
    states = completion.test_states(
        tests, graded.grades, paired.pairs, questions, decisions.acts, settings
    )
    between()
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
        balance=balance.balance(working, beside, stopped),
        memory=paired.memory,
    )


def _stopped(found: pd.DataFrame, working: pd.DataFrame) -> pd.Series:
    """Return the reading_ids that an open `stop` finding keeps from being graded."""
    stops = found.loc[found["severity"] == "stop"]
    named = stops.loc[stops["reading_id"] != "", "reading_id"]
    scope = causes.Scope(working)
    wide = stops.loc[stops["reading_id"] == ""].to_dict("records")
    rows = [working["reading_id"].take(scope.rows(finding)) for finding in wide]
    return pd.concat([named, *rows], ignore_index=True).drop_duplicates()
