"""One cause, one question: findings gathered under what explains them."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from rules import asking, ids, suspicions, tables
from rules.codes.findings import FINDINGS
from rules.columns import Ints, codes
from rules.evaluation import Decisions

EXPLAINS: Mapping[str, tuple[str, ...]] = {
    "reference-missing": ("reference-unevidenced",),
}
"""Cause to the symptoms that it explains in its run from its first record on, earliest causes
first: file, identity, time, reference, value, limit."""


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


def group(
    findings: pd.DataFrame, working: pd.DataFrame, runs: pd.DataFrame, decisions: Decisions
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give findings (FOUND) their ids and ask one question per cause.

    Returns (FINDINGS, QUESTIONS). Notes are not asked about, nor findings that a stage has asked
    about itself. A symptom goes to the first cause of its run (and wavelength, where the cause has
    one) that explains it and began no later; what nothing explains is asked by code and run, else
    code and dump, else code.
    """
    found = suspicions.join(findings).reset_index(drop=True)
    found["finding_id"] = [
        f"F{ids.short(*parts)}"
        for parts in zip(*(found[name] for name in ("code", "subject", "link_id", "run_id",
                         "reading_id", "dump_sha256")), found["wavelength_nm"].astype("str"),
                         strict=True)
    ]  # fmt: skip
    found = found.drop_duplicates("finding_id").sort_values("finding_id", ignore_index=True)
    scope = Scope(working)
    asked = ((found["severity"] != "note") & (found["question_id"] == "")).to_numpy()
    heads = _heads(found, scope, np.flatnonzero(asked))
    done = asking.settled(decisions)
    rows = []
    question_ids = found["question_id"].to_numpy(dtype=object).copy()
    for _, members in sorted(heads.items()):
        question = _question(found, scope, members, runs, done)
        rows.append(question)
        question_ids[members] = question["question_id"]
    found["question_id"] = question_ids
    return tables.conform(found, tables.FINDINGS), asking.questions(rows)


class Scope:
    """Finds the readings that a finding covers."""

    def __init__(self, working: pd.DataFrame) -> None:
        self.working = working
        self.reading = pd.Index(working["reading_id"])
        self.order: Ints = working["order"].to_numpy()
        self.wavelength: Ints = working["wavelength_nm"].to_numpy()
        self.single = (working["duplicate_of"] == "").to_numpy()
        self.by: dict[str, dict[str, Ints]] = {}

    def rows_of(self, column: str, value: str) -> Ints:
        """Return the rows whose text in `column` is `value`, ascending."""
        if column not in self.by:
            number, names = codes(self.working[column])
            order = np.argsort(number, kind="stable")
            bounds = np.searchsorted(number[order], np.arange(len(names) + 1))
            self.by[column] = {
                name: order[bounds[i] : bounds[i + 1]] for i, name in enumerate(names)
            }
        return self.by[column].get(value, np.array([], dtype="int64"))

    def rows(self, finding: Mapping[Hashable, Any]) -> Ints:
        """Return the rows of working that one finding (a row of FOUND) is about."""
        if finding["reading_id"]:
            at = self.reading.get_indexer([finding["reading_id"]])
            return np.asarray(at[at >= 0], dtype="int64")
        for column in ("run_id", "dump_sha256", "meter_serial"):
            if finding[column]:
                rows = self.rows_of(column, finding[column])
                break
        else:
            return np.array([], dtype="int64")
        keep = self.single[rows]
        if finding["wavelength_nm"]:
            keep = keep & (self.wavelength[rows] == finding["wavelength_nm"])
        if finding["last_order"]:
            keep = keep & (self.order[rows] >= finding["first_order"])
            keep = keep & (self.order[rows] <= finding["last_order"])
        return np.asarray(rows[keep])


Key = tuple[str, ...]


def _heads(found: pd.DataFrame, scope: Scope, asked: Ints) -> dict[Key, list[int]]:
    """Gather the rows of findings under what will be asked: (code, where) -> rows."""
    at = scope.reading.get_indexer(pd.Index(found["reading_id"]))
    order = np.where(at >= 0, scope.order[at], found["first_order"].to_numpy())
    code, run = found["code"].to_numpy(dtype=object), found["run_id"].to_numpy(dtype=object)
    wavelength = found["wavelength_nm"].to_numpy()
    owner: dict[int, int] = {}
    by_run: dict[str, list[int]] = {}
    for row in asked:
        by_run.setdefault(run[row], []).append(int(row))
    for name, rows in by_run.items():
        if not name:
            continue
        for cause, symptoms in EXPLAINS.items():
            heads = sorted((int(order[r]), r) for r in rows if code[r] == cause and r not in owner)
            for begin, head in heads:
                for row in rows:
                    if (row not in owner and row != head and code[row] in symptoms
                            and order[row] >= begin
                            and wavelength[head] in (0, wavelength[row])):  # fmt: skip
                        owner[row] = head
    gathered: dict[Key, list[int]] = {}
    for row in asked:
        head = int(row)
        while head in owner:
            head = owner[head]
        where = run[head] or found["dump_sha256"].iloc[head] or found["meter_serial"].iloc[head]
        gathered.setdefault((str(code[head]), str(where)), []).append(int(row))
    return gathered


def _question(
    found: pd.DataFrame, scope: Scope, members: list[int], runs: pd.DataFrame, done: asking.Settled
) -> dict[str, Any]:
    """Ask about findings of one cause; the cause's own findings come first in the evidence."""
    part = found.iloc[members]
    head_code = next((c for c in EXPLAINS if (part["code"] == c).any()), part["code"].iloc[0])
    known = FINDINGS[head_code]
    heads = part.loc[part["code"] == head_code]
    rows = [scope.rows(row) for row in part.to_dict("records")]
    readings = scope.working["reading_id"].iloc[np.unique(np.concatenate(rows))]
    others = sorted(set(part["code"]) - {head_code})
    first = heads.iloc[0]
    evidence = [
        {
            "term": code,
            "weight": float(count),
            "text": part.loc[part["code"] == code, "message"].iloc[0],
        }
        for code, count in sorted(part["code"].value_counts().items())
    ]
    return asking.ask(
        head_code,
        f"{first['subject']}: {known.meaning}. {first['message']}",
        known.remedy,
        list(readings),
        [
            {"action": "retest", "label": "test again"},
            {"action": "accept-value", "label": "accept the values; the reason is recorded"},
            {"action": "ask-crew", "label": "ask the crew"},
        ],
        evidence,
        done,
        codes=(*_causes_of(head_code), *others),
        cause=str(first["subject"]),
    )


def reading_ids(question: Mapping[str, Any]) -> list[str]:
    """Return the readings of a question."""
    return list(json.loads(question["reading_ids"] or "[]"))
