"""Grades: the current result of each planned test against its limits, and what it replaced."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd

from rules import columns, grade_findings, judgement, kinds, newest, results, tables
from rules.codes import KINDS
from rules.columns import Flags, Ints, codes, combined, common_codes, numbers, positions
from rules.evaluation import Decisions
from rules.judgement import Judged
from rules.results import Candidates
from rules.settings import Settings

WHY = (
    "",
    "an open finding holds the reading back",
    "the power has no valid reference",
    "the record stores no value",
    "repaired since",
    "decided to test again",
    "nothing says which reading is the newest",
    "the direction is not known, and both are planned",
    "the mean needs both directions, measured by one reference method",
    "plan and record do not both say at which fibre of the pair the light arrives",
)
"""Reasons for a grade that is no verdict, by number."""
HELD, UNREFERENCED, VALUELESS, REPAIRED, REDONE, UNORDERED, UNDIRECTED, LONE, UNPLACED = range(
    1, len(WHY)
)
NOT_GRADED = {
    results.BLOCKED: (judgement.BLOCKED, HELD),
    results.NO_REFERENCE: (judgement.NO_REFERENCE, UNREFERENCED),
    results.NO_VALUE: (judgement.BLOCKED, VALUELESS),
}


@dataclass(frozen=True)
class Graded:
    """GRADES, with what grading found (FOUND), asks (QUESTIONS) and lacks (LACKING)."""

    grades: pd.DataFrame
    findings: pd.DataFrame
    questions: pd.DataFrame
    lacking: pd.DataFrame


def grade(
    planned: pd.DataFrame,
    working: pd.DataFrame,
    pairs: pd.DataFrame,
    limits: pd.DataFrame,
    blocked: Collection[str],
    decisions: Decisions,
    runs: pd.DataFrame,
    settings: Settings,
) -> Graded:
    """Grade every paired reading: PLANNED, working, PAIRS, LIMIT_ROWS, RUNS to GRADES.

    `blocked` are the ids of readings with an open `stop` finding. Values in dB or dBm; verdicts
    compare values rounded once to 0.001. Row order of the arguments changes nothing.
    """
    # every pair is looked up before any is left out: mostly they lie beside the readings already
    at = positions(working["reading_id"], pairs["reading_id"])
    at = np.where((pairs["status"] == "paired").to_numpy(), at, -1)
    limits = limits.reset_index(drop=True)
    (of_pair, of_plan, of_limit), names = common_codes(
        pairs["link_id"], planned["link_id"], limits["link_id"]
    )
    found = results.candidates(
        planned, working, pairs, at, (of_pair, of_plan, names), blocked, decisions, runs, settings
    )
    rows, doubts = _place(found, decisions)
    hidden = rows.iloc[:0]
    if settings.direction_rule == "mean":
        rows, hidden = _means(rows)
    judge = judgement.Judge(limits, of_limit, found, settings)
    judged = judge.of(rows)
    findings, questions = grade_findings.of(judged, judge.of(hidden), doubts, found, decisions)
    lacking = grade_findings.lacking(judged)
    return Graded(_table(judged, found, limits), findings, questions, lacking)


def _place(found: Candidates, decisions: Decisions) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Decide which rows become grades: adds `current`, `grade` (open: to be judged), `why`.

    Also returns the rows that findings and questions are about, by cause.
    """
    rows = found.rows
    standing, test = rows["standing"].to_numpy(), rows["test"].to_numpy()
    undirected = (rows["way"].to_numpy() == 0) & (rows["ways"].to_numpy() > 1)
    live = np.flatnonzero(np.isin(standing, (results.VALID, results.REDO)) & ~undirected)
    last, unknown = newest.of(found, live, decisions)
    ended = live[(last | unknown) & (standing[live] == results.REDO)]
    redone = _marked(test, ended)[test[live]]
    unknown &= ~redone
    current = live[last & ~redone]

    state = np.full(len(rows), judgement.OPEN, dtype="int8")
    why = np.zeros(len(rows), dtype="int8")
    is_current = np.zeros(len(rows), dtype="bool")
    state[live] = judgement.SUPERSEDED
    why[live[redone]] = REDONE
    state[current], is_current[current] = judgement.OPEN, True
    unordered = live[unknown]
    state[unordered], why[unordered], is_current[unordered] = judgement.BLOCKED, UNORDERED, True

    void = np.flatnonzero((standing == results.VOID) & ~undirected)
    state[void], why[void] = judgement.SUPERSEDED, REPAIRED
    blind = np.flatnonzero(undirected & (standing != results.VOID))
    state[blind], why[blind], is_current[blind] = judgement.BLOCKED, UNDIRECTED, True

    # readings without a verdict stand for their test only where nothing else does
    answered = _marked(test, np.append(current, unordered))
    held = np.flatnonzero(np.isin(standing, list(NOT_GRADED)) & ~undirected)
    only = _latest(found, held[~answered[test[held]]])
    for reason, (grade, text) in NOT_GRADED.items():
        chosen = only[standing[only] == reason]
        state[chosen], why[chosen], is_current[chosen] = grade, text, True
    shown = np.ones(len(rows), dtype="bool")
    shown[held], shown[only] = False, True
    shown[undirected & (standing == results.VOID)] = False

    doubts = {
        "unordered": rows.take(unordered),
        "undirected": rows.take(blind),
        "in-doubt": rows.take(_newer(found, held[answered[test[held]]], current)),
        "undated": rows.loc[results.undated_since_repair(found, decisions)],
    }
    placed = rows.assign(current=is_current, grade=state, why=why)
    return placed if shown.all() else placed.loc[shown].reset_index(drop=True), doubts


def _marked(test: Ints, rows: Ints) -> Flags:
    """Return, by test number, whether any of `rows` belongs to the test."""
    marks = np.zeros(int(test.max(initial=-1)) + 1, dtype="bool")
    marks[test[rows]] = True
    return marks


def _latest(found: Candidates, among: Ints) -> Ints:
    """Return, of the readings without a verdict, the last of each test by clock, place and id."""
    if not len(among):
        return among
    part = found.rows.take(among)
    test = part["test"].to_numpy()
    clock = np.nan_to_num(found.of("utc_s", part), nan=-np.inf)
    order = np.lexsort((among, found.of("order", part), clock, test))
    return cast(Ints, among[order[np.append(np.diff(test[order]) != 0, True)]])


def _newer(found: Candidates, held: Ints, current: Ints) -> Ints:
    """Return those of the held readings that are not surely older than their test's result."""
    if not len(held):
        return held
    test, clock = found.rows["test"].to_numpy(), found.of("utc_s", found.rows)
    since = np.full(int(test.max(initial=-1)) + 1, np.nan)
    since[test[current]] = clock[current]
    return cast(Ints, held[~(clock[held] < since[test[held]])])


def _means(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put the mean of both directions in the place of the two, where both are planned and there.

    Returns the rows to judge and the single directions behind each mean. A direction that waits
    for the other one is not graded.
    """
    ready = (
        rows["current"]
        & (rows["grade"] == judgement.OPEN)
        & (rows["ways"] == 2)
        & (rows["way"] > 0)
    )
    ready &= results.of_kind(rows, kinds.SUMMED)
    part = rows.loc[ready]
    common = ["link", "kind", "wavelength_nm", "method", "cords"]
    number = combined(*(part[c].to_numpy() for c in common))
    complete = np.bincount(number, minlength=1)[number] == 2 if len(part) else np.zeros(0, "bool")
    both = part.loc[complete].sort_values([*common, "way"], kind="stable")
    there, back = both.iloc[::2].reset_index(drop=True), both.iloc[1::2].reset_index(drop=True)
    mean = there.assign(
        way=results.WAYS.index("mean"),
        loss_db=(there["loss_db"] + back["loss_db"]) / 2,
        power_dbm=np.nan,
        also_at=back["at"],
    )
    lone = ready.copy()
    lone.loc[both.index] = False
    waiting = rows.assign(
        grade=rows["grade"].mask(lone, judgement.BLOCKED),
        why=rows["why"].mask(lone, LONE),
        also_at=-1,
    )
    rest = waiting.drop(index=both.index)
    return pd.concat([rest, mean], ignore_index=True), both.reset_index(drop=True)


def _table(judged: Judged, found: Candidates, limits: pd.DataFrame) -> pd.DataFrame:
    """Return GRADES in the order of its export key."""
    test = judged.rows["lane"].to_numpy() * len(results.WAYS) + judged.rows["way"].to_numpy()
    limit_name = np.append(numbers(limits["limit_name"], sort=True), -1)[judged.deciding]
    key = test * (int(limit_name.max(initial=0)) + 2) + limit_name
    # candidates come by test already: mostly nothing moves, and wide tables are dear to copy
    if np.any(key[1:] < key[:-1]):
        judged = judged.take(np.argsort(key, kind="stable"))
    rows, limit = judged.rows, judged.deciding

    def named(texts: Sequence[str], column: str) -> Any:
        return columns.few(texts, rows[column].to_numpy()).array

    out: dict[str, Any] = {
        "link_id": columns.few(found.links, rows["link"].to_numpy()).array,
        "kind": named(KINDS, "kind"),
        "direction": named(results.WAYS, "way"),
        "cord_grade": named(results.CORD_GRADES, "cords"),
        "grade": named(judgement.GRADES, "grade"),
        "reading_ids": _ids(rows, found.working),
        "limit_name": _taken(limits["limit_name"], limit),
        "clause": _taken(limits["clause"], limit),
        "limit_confirmed": np.append(limits["limit_confirmed"].to_numpy(), False)[limit],
        "limits": judged.limits,
        "why": _reasons(judged, limits),
        "reference_method": rows["method"],
        "fibre_type": _taken(limits["fibre_type"], limit),
    }
    for name in ("limit_db", "min_db", "min_dbm", "max_dbm"):
        out[name] = np.append(limits[name].to_numpy(), np.nan)[limit]
    for name in ("wavelength_nm", "loss_db", "power_dbm"):
        out[name] = rows[name]
    return tables.conform(pd.DataFrame(out | judged.measures, copy=False), tables.GRADES)


def _reasons(judged: Judged, limits: pd.DataFrame) -> Any:
    """Return each row's reason for having no verdict."""
    number, texts = codes(limits["why_not"])
    # a limit without a reason, and none at all, say nothing of their own
    place = np.append(
        np.where(np.append(texts, "")[number] != "", number + len(WHY), UNPLACED), UNPLACED
    )
    unlimited = judged.rows["grade"].to_numpy() == judgement.NO_LIMIT
    reason = np.where(unlimited, place[judged.deciding], judged.rows["why"].to_numpy())
    return columns.few([*WHY, *texts], reason).array


def _ids(rows: pd.DataFrame, working: pd.DataFrame) -> Any:
    """Write the ids behind each row as a JSON list."""
    ids = working["reading_id"].array
    inner = ids.take(rows["at"].to_numpy())
    if "also_at" in rows.columns:
        two = rows["also_at"].fillna(-1).to_numpy("int64")
        second = pd.Series('", "', index=rows.index, dtype="str") + ids.take(np.maximum(two, 0))
        inner = columns.joined(inner, second.mask(two < 0, "").array)
    return columns.joined('["', inner, '"]')


def _taken(column: pd.Series, place: Ints) -> Any:
    """Take texts of few distinct values by row; −1 gives the empty text."""
    number, texts = codes(column)
    return columns.few([*texts, ""], np.append(number, len(texts))[place]).array
