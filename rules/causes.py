"""One cause, one question: findings gathered under what explains them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from rules import asking, ids, suspicions, tables
from rules.codes.findings import FINDINGS
from rules.columns import Ints, starts
from rules.evaluation import Decisions
from rules.scope import CONCERNED, SCOPE, Scope

LEVELS = (
    "outlier", "cable-shifted", "run-shifted", "position-trend", "level-trend", "poor-pass",
    "directions-differ", "loss-negative", "loss-zero", "below-physics", "reference-drift",
    "pair-exchanged", "level-episode", "source-warming",
)  # fmt: skip
"""What a wrong level of a run makes of its losses."""
COLOURS = ("bend", "multimode-inversion")
"""What a wrong level at one wavelength makes of a pair of wavelengths."""
COLUMN = (*LEVELS, *COLOURS, "half-power", "core-mismatch", "reference-step", "values-stuck",
          "wavelengths-alike", "wavelengths-exchanged", "verdict-differs", "cord-wear")  # fmt: skip
"""What a column of wrong values makes of its readings."""

EXPLAINS: Mapping[str, tuple[str, ...]] = {
    "record-gap": ("sheet-incomplete",),
    "clock-reset": ("clock-against-sheet", "clock-day-order", "clock-backwards", "clock-overlap",
                    "pace"),
    "clock-day-order": ("clock-ahead", "clock-backwards", "clock-reset", "reference-stale"),
    "clock-against-sheet": ("clock-ahead", "clock-overlap", "reference-stale"),
    "power-as-loss": COLUMN,
    "sign-turned": COLUMN,
    "decimal-lost": COLUMN,
    "unit-mixed": ("outlier", "loss-negative", "directions-differ", *COLOURS),
    "reference-missing": ("reference-unevidenced",),
    "reference-range": (*LEVELS, *COLOURS),
    "references-equal": (*LEVELS, *COLOURS, "reference-other", "half-power"),
    "reference-other": ("reference-mismatch", *LEVELS),
    "source-changed": (*LEVELS, "reference-step", "half-power"),
    "method-changed": LEVELS,
    "wavelengths-alike": (*LEVELS, *COLOURS, "wavelengths-exchanged"),
    "wavelengths-exchanged": (*LEVELS, *COLOURS),
    "half-power": LEVELS,
    "core-mismatch": (*LEVELS, "half-power"),
    "reference-step": (*LEVELS, *COLOURS),
    "level-episode": ("outlier", "directions-differ", "position-trend", "poor-pass", *COLOURS),
    "source-warming": ("outlier", "directions-differ", "level-trend", "reference-drift"),
    "level-trend": ("outlier", "directions-differ", "reference-drift", "position-trend"),
    "run-shifted": ("cable-shifted", "directions-differ", "loss-negative", "below-physics",
                    "loss-zero", "poor-pass", "reference-drift"),
    "cord-wear": LEVELS,
    "reference-drift": ("cable-shifted", "directions-differ"),
    "reference-stale": ("reference-drift",),
    "values-stuck": ("outlier", "directions-differ", *COLOURS),
    "cable-shifted": ("below-physics", "loss-negative", "loss-zero", "poor-pass"),
    "position-trend": ("outlier", "poor-pass"),
    "bend": ("outlier", "directions-differ", "poor-pass"),
    "pair-dark": ("no-light",),
    "pair-exchanged": ("outlier", "directions-differ"),
    "outlier": ("directions-differ", "poor-pass"),
}  # fmt: skip
"""Cause to the symptoms that it explains in its run from its first record on, earliest causes
first: file, identity, time, reference, value, limit."""


BY_CABLE = (
    "outlier", "bend", "multimode-inversion", "directions-differ", "no-light", "pair-dark",
    "pair-exchanged", "many-tries", "verdict-differs", "length-differs", "length-unit",
    "cable-shifted", "position-trend", "below-physics",
)  # fmt: skip
"""Asked once per cable: the plant is in question, not the run."""
BY_METER = (
    "clock-against-sheet", "clock-overlap", "reference-unevidenced", "operator-missing",
    "operator-unlisted", "instrument-missing",
    "instrument-unlisted", "serials-exchanged", "calibration-expired", "calibration-later",
    "calibration-unknown", "wavelength-uncalibrated", "method-changed", "method-unknown",
    "clock-day-order",
    "cord-grade-unknown", "cord-wear", "two-crews", "record-gap", "sheet-incomplete",
)  # fmt: skip
"""Asked once per meter: the paper is in question, not the run."""


def settle(findings: pd.DataFrame, decisions: Decisions) -> pd.DataFrame:
    """Turn findings about readings whose value was accepted into notes that say by whom.

    An answer given under a cause holds for the symptoms it explains.
    """
    if decisions.answers.empty or findings.empty:
        return findings
    done = asking.settled(decisions)
    severity = findings["severity"].to_numpy(dtype=object).copy()
    message = findings["message"].to_numpy(dtype=object).copy()
    reading = findings["reading_id"].to_numpy(dtype=object)
    for code in findings["code"].unique():
        decided = done.of((code, *_causes_of(code)))
        if not decided:
            continue
        for row in np.flatnonzero((findings["code"] == code).to_numpy()):
            decision = decided.get(reading[row])
            if decision and decision["action"] == "accept-value":
                severity[row] = "note"
                message[row] += (
                    f" Accepted by {decision['who']} on {decision['at'][:10]}: {decision['why']}"
                )
    return findings.assign(severity=severity, message=message).astype(
        {"severity": "str", "message": "str"}
    )


def _causes_of(code: str) -> list[str]:
    return [cause for cause, symptoms in EXPLAINS.items() if code in symptoms]


@dataclass(frozen=True)
class Wide:
    """What is asked once in the whole job: findings (FOUND), and the readings they may be about.

    Columns of `readings`: CONCERNED.
    """

    findings: pd.DataFrame
    readings: pd.DataFrame


def group(
    findings: pd.DataFrame, working: pd.DataFrame, runs: pd.DataFrame, decisions: Decisions
) -> tuple[pd.DataFrame, pd.DataFrame, Wide]:
    """Give findings (FOUND) their ids and ask one question per cause.

    Returns (FOUND with `finding_id`, QUESTIONS, what is left for `ask_wide`). Notes are not asked
    about, nor findings that a stage has asked about itself. A symptom goes to the first cause of
    its run (and wavelength, where the cause has one) that explains it and began no later; what
    nothing explains is asked by code and run, else code and dump, else code, which is left.
    """
    found = _identified(findings)
    scope = Scope(working)
    asked = ((found["severity"] != "note") & (found["question_id"] == "")).to_numpy()
    at = scope.named(found["reading_id"])
    heads = _heads(found, at, scope, runs, np.flatnonzero(asked))
    wide = sorted(row for (_, where), rows in heads.items() if not where for row in rows)
    narrow = {key: rows for key, rows in heads.items() if key[1]}
    questions = _ask(found, narrow, at, scope, decisions)
    left = np.zeros(len(found), dtype="bool")
    left[wide] = True
    readings = [scope.rows(finding) for finding in found.loc[left].to_dict("records")]
    rows = np.unique(np.concatenate([np.array([], "int64"), *readings]))
    concerned = tables.spelled(working[list(CONCERNED)].take(rows))
    return (
        found.loc[~left].reset_index(drop=True),
        questions,
        Wide(found.loc[left].drop(columns="finding_id"), tables.conform(concerned, CONCERNED)),
    )


def ask_wide(wide: Sequence[Wide], decisions: Decisions) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ask what is asked once in the job, one question per code; return (FINDINGS, QUESTIONS)."""
    found = _identified(suspicions.join(*(part.findings for part in wide)))
    empty = tables.empty(CONCERNED)
    readings = pd.concat([empty, *(part.readings for part in wide)], ignore_index=True)
    scope = Scope(readings)
    asked = ((found["severity"] != "note") & (found["question_id"] == "")).to_numpy()
    heads: dict[Key, list[int]] = {}
    for row in np.flatnonzero(asked).tolist():
        heads.setdefault((str(found["code"].iloc[row]), ""), []).append(row)
    questions = _ask(found, heads, scope.named(found["reading_id"]), scope, decisions)
    return tables.conform(found, tables.FINDINGS), questions


def _identified(findings: pd.DataFrame) -> pd.DataFrame:
    """Give findings their ids, each once, in the order of the ids."""
    found = suspicions.join(findings).reset_index(drop=True)
    found["finding_id"] = [
        f"F{ids.short(*parts)}"
        for parts in zip(*(found[name] for name in ("code", "subject", "link_id", "run_id",
                         "reading_id", "dump_sha256")), found["wavelength_nm"].astype("str"),
                         strict=True)
    ]  # fmt: skip
    return found.drop_duplicates("finding_id").sort_values("finding_id", ignore_index=True)


def _ask(
    found: pd.DataFrame, heads: Mapping[Key, list[int]], at: Ints, scope: Scope,
    decisions: Decisions,
) -> pd.DataFrame:  # fmt: skip
    """Ask one question per head, and name it beside its findings (changes `found`)."""
    done = asking.settled(decisions)
    rows = []
    question_ids = found["question_id"].to_numpy(dtype=object).copy()
    columns = {name: found[name].to_numpy(dtype=object) for name in (*SCOPE, "code", "subject",
               "message")}  # fmt: skip
    for (code, _), members in sorted(heads.items()):
        question = _question(code, members, columns, at, scope, done)
        rows.append(question)
        question_ids[members] = question["question_id"]
    found["question_id"] = question_ids
    return asking.questions(rows)


Key = tuple[str, str]
NAMELESS = "without a serial number"
"""Where meters are asked about that have none."""


def _heads(
    found: pd.DataFrame, at: Ints, scope: Scope, runs: pd.DataFrame, asked: Ints
) -> dict[Key, list[int]]:
    """Gather the rows of findings under what will be asked: (code of the cause, where) -> rows."""
    code, run = found["code"].to_numpy(dtype=object), found["run_id"].to_numpy(dtype=object)
    owner = np.full(len(found), -1, dtype="int64")
    first, last = _span(found, at, scope)
    wavelength = found["wavelength_nm"].to_numpy()
    for rows in _together(found, scope, asked):
        _own(owner, rows, code, first, last, wavelength, at)
    meter = dict(zip(runs["run_id"], runs["meter_serial"], strict=True))
    cable, dump = found["cable"].to_numpy(dtype=object), found["dump_sha256"].to_numpy(dtype=object)
    serial = found["meter_serial"].to_numpy(dtype=object)
    gathered: dict[Key, list[int]] = {}
    for row in asked:
        head = int(row)
        while owner[head] >= 0:
            head = int(owner[head])
        where = run[head] or dump[head]
        if code[head] in BY_CABLE and cable[head]:
            where = cable[head]
        elif code[head] in BY_METER:
            where = meter.get(run[head], serial[head]) or NAMELESS
        gathered.setdefault((str(code[head]), str(where)), []).append(int(row))
    return gathered


def _together(found: pd.DataFrame, scope: Scope, asked: Ints) -> list[Ints]:
    """Return, run by run, the rows of findings that may explain each other.

    A finding about a dump stands beside those of every run in it.
    """
    by_run: dict[str, list[int]] = {}
    run, code = found["run_id"].to_numpy(dtype=object), found["code"].to_numpy(dtype=object)
    dump = found["dump_sha256"].to_numpy(dtype=object)
    for row in asked:
        names = [run[row]]
        if not run[row] and dump[row] and code[row] in EXPLAINS:
            readings = scope.rows({name: found[name].iloc[row] for name in SCOPE})
            names = list(scope.working["run_id"].iloc[readings].unique())
        for name in names:
            by_run.setdefault(name, []).append(int(row))
    return [np.array(rows, "int64") for name, rows in by_run.items() if name and len(rows) > 1]


def _own(
    owner: Ints, rows: Ints, code: Any, first: Ints, last: Ints, wavelength: Ints, at: Ints
) -> None:
    """Hand each symptom of one run to the first cause that explains it (changes `owner`)."""
    present = set(code[rows])
    if len(present) < 2:
        return
    for cause, symptoms in EXPLAINS.items():
        if cause not in present or present.isdisjoint(symptoms):
            continue
        heads = rows[(code[rows] == cause) & (owner[rows] < 0)]
        open_ = rows[np.isin(code[rows], symptoms) & (owner[rows] < 0)]
        for head in heads[np.lexsort((heads, first[heads]))]:
            if owner[head] >= 0 or not len(open_):
                continue
            hit = (last[open_] >= first[head]) & (first[open_] <= last[head]) & (open_ != head)
            if at[head] < 0 and wavelength[head]:
                hit &= (wavelength[open_] == wavelength[head]) | (wavelength[open_] == 0)
            owner[open_[hit]] = head
            open_ = open_[~hit]


def _span(found: pd.DataFrame, at: Ints, scope: Scope) -> tuple[Ints, Ints]:
    """Return the first and last order of a finding's scope; a reading stands for its record."""
    begin, end = found["first_order"].to_numpy(), found["last_order"].to_numpy()
    own = scope.order[at] if len(scope.order) else at
    first = np.where(at >= 0, own, begin)
    last = np.where(at >= 0, own, np.where(end > 0, end, np.iinfo("int64").max))
    return first, last


def _sentence(text: str) -> str:
    """Let a text begin as a sentence does, and leave its end to the caller."""
    return (text[:1].upper() + text[1:]).rstrip(".")


def _question(
    code: str, members: list[int], columns: Mapping[str, Any], at: Ints, scope: Scope,
    done: asking.Settled,
) -> dict[str, Any]:  # fmt: skip
    """Ask about findings of one cause, whose code is `code`; each kind of them is evidence."""
    wide = [scope.rows({name: columns[name][row] for name in SCOPE})
            for row in members if at[row] < 0]  # fmt: skip
    named = np.array([at[row] for row in members if at[row] >= 0], "int64")
    rows = np.sort(np.concatenate([named, *wide]))
    rows = rows[starts(rows)]
    ordered = sorted(members, key=lambda r: (columns["first_order"][r], columns["subject"][r]))
    kinds: dict[str, list[int]] = {}
    for row in ordered:
        kinds.setdefault(columns["code"][row], []).append(row)
    own = kinds[code]
    subject, message = columns["subject"][own[0]], columns["message"][own[0]]
    more = f" And {len(own) - 1} more like it." if len(own) > 1 else ""
    evidence = [
        {"term": term, "weight": float(len(kinds[term])),
         "text": f"{len(kinds[term])} × {FINDINGS[term].meaning}; "
         f"first: {columns['message'][kinds[term][0]]}"}
        for term in sorted(kinds)
    ]  # fmt: skip
    return asking.ask(
        code,
        f"{_sentence(subject)}: {FINDINGS[code].meaning}. {_sentence(message)}.{more}",
        FINDINGS[code].remedy,
        scope.working["reading_id"].array.take(rows).tolist(),
        [
            {"action": "retest", "label": "test again"},
            {"action": "accept-value", "label": "accept the values; the reason is recorded"},
            {"action": "ask-crew", "label": "ask the crew"},
        ],
        evidence,
        done,
        codes=(*_causes_of(code), *sorted(kinds)),
        cause=str(subject),
    )
