"""What a parser could not decide for a whole dump, as questions beside those of the rules."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from rules import tables
from rules.evaluation import Decisions


def find(connection: Any) -> list[dict[str, Any]]:
    """Return a QUESTIONS row for each thing undecided in a dump that counts."""
    rows = connection.execute(
        "SELECT sha256, name, questions, last_row - first_row + 1 FROM dump "
        "WHERE state = 'taken' AND aside = 0 AND questions <> '[]' ORDER BY sha256"
    ).fetchall()
    return [
        {
            "question_id": f"{code}-{sha256[:10]}", "code": code, "message": f"{name}: {sentence}",
            "proposal": "", "readings": count, "state": "open", "weight": float(count),
            "reading_ids": "[]", "evidence": "[]",
            "options": json.dumps([
                {"action": "accept-value", "label": "as read; the reason is recorded"},
                {"action": "ask-crew", "label": "ask the crew"},
            ]),
        }
        for sha256, name, text, count in rows
        for code, sentence in json.loads(text)
    ]  # fmt: skip


def ask(questions: pd.DataFrame, found: list[dict[str, Any]], decided: Decisions) -> pd.DataFrame:
    """Add the questions of dumps; those that someone answered are `answered`."""
    if not found:
        return questions
    own = pd.DataFrame(found)
    answered = own["question_id"].isin(decided.answers["question_id"])
    own["state"] = own["state"].mask(answered, "answered")
    return tables.conform(pd.concat([questions, own], ignore_index=True), tables.QUESTIONS)
