"""Questions to people: built in one shape, and told apart from those already answered."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from rules import ids, tables
from rules.evaluation import Decisions

SETTLING = ("accept-value", "leave-out", "retest", "direction", "place", "outside-plan")
"""Actions after which a question about readings needs no more from anybody."""


@dataclass(frozen=True)
class Settled:
    """What was decided of readings, by the code of the question it was asked under."""

    by_code: dict[str, dict[str, dict[str, str]]] = field(default_factory=dict)
    """code -> reading id -> {"action", "who", "at", "why", "argument"}; the newest answer."""

    def of(self, codes: Iterable[str]) -> dict[str, dict[str, str]]:
        """Return reading id -> decision for questions of any of these codes."""
        out: dict[str, dict[str, str]] = {}
        for code in codes:
            out |= self.by_code.get(code, {})
        return out


def settled(decisions: Decisions) -> Settled:
    """Read the answers that settle suspicions; `ask-crew` leaves a question open."""
    by_code: dict[str, dict[str, dict[str, str]]] = {}
    for row in decisions.answers.to_dict("records"):
        if row["action"] not in (*SETTLING, "ask-crew"):
            continue
        code = str(row["question_id"]).rsplit("-", 1)[0]
        decision = {key: str(row[key]) for key in ("action", "who", "at", "why", "argument")}
        known = by_code.setdefault(code, {})
        for reading in json.loads(row["reading_ids"] or "[]"):
            if row["action"] == "ask-crew":
                known.pop(reading, None)
            else:
                known[reading] = decision
    return Settled(by_code)


def ask(
    code: str,
    message: str,
    proposal: str,
    reading_ids: Sequence[str],
    options: Sequence[dict[str, Any]],
    evidence: Sequence[dict[str, Any]],
    done: Settled,
    codes: Iterable[str] = (),
    cause: str = "",
) -> dict[str, Any]:
    """Make one row of QUESTIONS about `reading_ids`.

    The id comes from the code and the readings (`cause` in their place where there are none), so
    that new readings of the same cause ask anew. `codes` are further codes an answer may stand
    under.
    """
    readings = sorted(reading_ids)
    # the ids of a million readings are put together once
    joined = ids.SEPARATOR.join(readings).encode()
    said = ids.SEPARATOR.join((code, cause, "") if readings else (code, cause)).encode()
    decided = done.of((code, *codes))
    open_ = not readings or not decided or any(one not in decided for one in readings)
    return {
        "question_id": f"{code}-{ids.digest(said + joined)}",
        "code": code,
        "message": message,
        "proposal": proposal,
        "readings": len(readings),
        "state": "open" if open_ else "answered",
        "weight": float(len(readings)),
        "reading_ids": _listed(readings, joined),
        "options": json.dumps(list(options), sort_keys=True),
        "evidence": json.dumps(list(evidence), sort_keys=True),
    }


def _listed(readings: Sequence[str], joined: bytes) -> str:
    """Write ids as JSON; those of a million readings need no look at each sign of each."""
    between = ids.SEPARATOR.encode()
    if readings and joined.translate(None, PLAIN) == between * (len(readings) - 1):
        return f'["{joined.replace(between, SEPARATED).decode()}"]'
    return json.dumps(list(readings))


SEPARATED = b'", "'
PLAIN = bytes(sign for sign in range(ord(" "), 0x7F) if sign not in b'"\\')
"""Signs that JSON writes as they are."""


def questions(rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Return rows of `ask` as QUESTIONS, by id."""
    if not rows:
        return tables.empty(tables.QUESTIONS)
    frame = tables.conform(pd.DataFrame(list(rows)), tables.QUESTIONS)
    return frame.drop_duplicates("question_id").sort_values("question_id", ignore_index=True)
