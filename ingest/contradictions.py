"""Answers of two laptops that contradict each other, neither made in knowledge of the other.

Such answers count for nothing on the readings that they share; one question asks which holds. An
answer made later, in knowledge of both, settles it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ingest.decisions import undone
from rules import tables
from rules.evaluation import Decisions

CODE = "answers-contradict"
Outcome = tuple[str, str, str]
"""(action, link, argument) for one reading."""


@dataclass(frozen=True)
class _Answer:
    answer_id: str
    laptop: str
    seq: int
    who: str
    at: str
    action: str
    argument: str
    outcomes: Mapping[str, Outcome]


@dataclass(frozen=True)
class Contradiction:
    """Answers that contradict each other, and the readings on which they do."""

    answers: tuple[_Answer, ...]
    reading_ids: tuple[str, ...]


def find(connection: Any) -> list[Contradiction]:
    """Find the contradictions among the answers that hold, in order of their answers."""
    if connection.execute("SELECT count(DISTINCT laptop) FROM entry").fetchone()[0] < 2 and not (
        connection.execute(
            "SELECT 1 FROM entry GROUP BY laptop, seq HAVING count(*) > 1"
        ).fetchone()
    ):
        return []
    answers = _answers(connection)
    known = _Knowledge(connection)
    by_reading: dict[str, list[_Answer]] = {}
    for answer in answers:
        for reading in answer.outcomes:
            by_reading.setdefault(reading, []).append(answer)
    found: dict[tuple[str, ...], list[str]] = {}
    for reading, given in by_reading.items():
        last = [a for a in given if not any(known.before(a, b) for b in given if b is not a)]
        if len({answer.outcomes[reading] for answer in last}) > 1:
            found.setdefault(tuple(a.answer_id for a in last), []).append(reading)
    by_id = {answer.answer_id: answer for answer in answers}
    return [
        Contradiction(tuple(by_id[id_] for id_ in ids), tuple(sorted(found[ids])))
        for ids in sorted(found)
    ]


def from_json(values: Iterable[Mapping[str, Any]]) -> list[Contradiction]:
    """Make contradictions out of what `dataclasses.asdict` and JSON made of them."""
    return [
        Contradiction(
            tuple(
                _Answer(
                    **{**answer, "outcomes": {k: tuple(v) for k, v in answer["outcomes"].items()}}
                )
                for answer in value["answers"]
            ),
            tuple(value["reading_ids"]),
        )
        for value in values
    ]


def _answers(connection: Any) -> list[_Answer]:
    void = undone(connection)
    out = []
    for laptop, seq, who, at, text in connection.execute(
        "SELECT laptop, seq, who, at, body FROM entry WHERE kind = 'answer' "
        "ORDER BY at, laptop, seq, hash"
    ).fetchall():
        body = json.loads(text)
        if body["answer_id"] in void:
            continue
        readings, links = body["reading_ids"], body["link_ids"]
        beside = links if len(links) == len(readings) else [""] * len(readings)
        outcomes = {
            reading: (body["action"], link, body["argument"])
            for reading, link in zip(readings, beside, strict=True)
        }
        out.append(_Answer(body["answer_id"], laptop, seq, who, at, body["action"],
                           body["argument"], outcomes))  # fmt: skip
    return out


class _Knowledge:
    """Which entry was written in knowledge of which other, from the journal's `seen`."""

    def __init__(self, connection: Any) -> None:
        self._seen: dict[str, list[tuple[int, dict[str, int]]]] = {}
        for laptop, seq, text in connection.execute(
            "SELECT laptop, seq, seen FROM entry WHERE seen <> '{}' ORDER BY laptop, seq"
        ).fetchall():
            self._seen.setdefault(laptop, []).append((seq, json.loads(text)))

    def before(self, one: _Answer, other: _Answer) -> bool:
        """Tell whether `other` was written in knowledge of `one`."""
        if one.laptop == other.laptop:
            return one.seq < other.seq
        told = [s for seq, s in self._seen.get(other.laptop, []) if seq <= other.seq]
        return max((s.get(one.laptop, 0) for s in told), default=0) >= one.seq


def without(decisions: Decisions, found: Sequence[Contradiction]) -> Decisions:
    """Take the readings in contradiction out of every answer."""
    held = {reading for one in found for reading in one.reading_ids}
    if not held:
        return decisions
    rows = [_trimmed(row, held) for row in decisions.answers.to_dict("records")]
    kept = pd.DataFrame([row for row in rows if row is not None])
    return Decisions(tables.conform(kept, tables.ANSWERS), decisions.acts)


def _trimmed(row: dict[Any, Any], held: set[str]) -> dict[Any, Any] | None:
    readings, links = json.loads(row["reading_ids"]), json.loads(row["link_ids"])
    if not held.intersection(readings):
        return row
    places = [place for place, reading in enumerate(readings) if reading not in held]
    if not places:
        return None
    if len(links) == len(readings):
        links = [links[place] for place in places]
    left = [readings[place] for place in places]
    return row | {"reading_ids": json.dumps(left), "link_ids": json.dumps(links)}


def ask(questions: pd.DataFrame, found: Sequence[Contradiction]) -> pd.DataFrame:
    """Add a question for each contradiction, in place of those about nothing but its readings."""
    if not found:
        return questions
    own = pd.DataFrame([_question(one) for one in found])
    held = [set(one.reading_ids) for one in found]

    def covered(text: str) -> bool:
        ids = set(json.loads(text or "[]"))
        return bool(ids) and any(ids <= readings for readings in held)

    others = questions[~questions["reading_ids"].map(covered).astype("bool")]
    return tables.conform(pd.concat([own, others], ignore_index=True), tables.QUESTIONS)


def _question(one: Contradiction) -> dict[str, Any]:
    digest = hashlib.sha256(" ".join(a.answer_id for a in one.answers).encode()).hexdigest()
    count = len(one.reading_ids)
    options = [_option(answer, one.reading_ids) for answer in one.answers]
    return {
        "question_id": f"{CODE}-{digest[:10]}",
        "code": CODE,
        "message": f"{count} reading{'s' * (count > 1)} settled on two laptops in different ways: "
        + "; ".join(str(option["label"]) for option in options),
        "proposal": "",
        "readings": count,
        "state": "open",
        "weight": float(count),
        "reading_ids": json.dumps(one.reading_ids),
        "options": json.dumps(options),
        "evidence": json.dumps([
            {"term": "answer", "weight": 0.0, "text": f"{a.who} at {a.at} on {a.laptop}"}
            for a in one.answers
        ]),
    }  # fmt: skip


def _option(answer: _Answer, readings: Iterable[str]) -> dict[str, Any]:
    ids = list(readings)
    links = [answer.outcomes[reading][1] for reading in ids]
    named = sorted(set(links) - {""})
    where = f" {', '.join(named[:3])}{' …' if len(named) > 3 else ''}" if named else ""
    return {
        "action": answer.action, "reading_ids": ids, "link_ids": links if named else [],
        "argument": answer.argument, "confidence": 0.0,
        "label": f"{answer.who}: {answer.action}{where}"
        + (f" ({answer.argument})" if answer.argument else ""),
    }  # fmt: skip
