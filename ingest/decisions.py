"""Answers and acts as the rules see them: what holds now, oldest first."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from rules import tables
from rules.evaluation import Decisions


def decisions(connection: Any) -> Decisions:
    """Return the answers and acts that hold, oldest first."""
    void = undone(connection)
    answers, acts = [], []
    for kind, at, who, text in connection.execute(
        "SELECT kind, at, who, body FROM entry WHERE kind IN ('answer', 'act') "
        "ORDER BY at, laptop, seq"
    ).fetchall():
        body = json.loads(text)
        if body.get("answer_id", body.get("act_id")) in void:
            continue
        if kind == "answer":
            lists = {name: json.dumps(body[name]) for name in ("reading_ids", "link_ids")}
            answers.append(body | lists | {"who": who, "at": at})
        else:
            acts.append(body | {"who": who, "at": at})
    return Decisions(
        tables.conform(pd.DataFrame(answers), tables.ANSWERS),
        tables.conform(pd.DataFrame(acts), tables.ACTS),
    )


def undone(connection: Any) -> set[str]:
    """Give the ids of the answers and acts that were taken back."""
    rows = connection.execute(
        "SELECT json_extract(body, '$.id') FROM entry WHERE kind = 'undo'"
    ).fetchall()
    return {row[0] for row in rows}
