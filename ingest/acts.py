"""What people decide: answers and acts, each one journal entry that is never changed.

An answer or act taken back is a further entry of kind `undo`.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from typing import Any

import pandas as pd

from ingest import store
from ingest.errors import BadInput
from ingest.job import Job
from ingest.session import Session, writing
from rules import tables
from rules.evaluation import Decisions

ACTIONS = (
    "place", "direction", "outside-plan", "leave-out", "accept-value", "retest", "ask-crew",
    "alias",
)  # fmt: skip
KINDS = ("note", "repair", "waiver", "release", "confirm-limit")


def answer(
    job: Job,
    question_id: str,
    action: str,
    reading_ids: Sequence[str],
    link_ids: Sequence[str] = (),
    argument: str = "",
    why: str = "",
    by: str = "",
) -> str:
    """Journal an answer and give its id; `link_ids` runs beside `reading_ids` or is empty."""
    if action not in ACTIONS:
        raise BadInput(f"Unknown action '{action}'; one of {', '.join(ACTIONS)}.")
    if action == "place" and len(link_ids) != len(reading_ids):
        raise BadInput(
            f"An answer that places {len(reading_ids)} readings needs a link for each; "
            f"{len(link_ids)} were given."
        )
    with writing(job, "answer") as session:
        _known_readings(session, reading_ids)
        return _add(session, "answer", "answer_id", {
            "question_id": question_id, "action": action, "reading_ids": list(reading_ids),
            "link_ids": list(link_ids), "argument": argument, "why": why,
        }, by)  # fmt: skip


def act(
    job: Job,
    kind: str,
    subject: str,
    *,
    scope: str = "",
    argument: str = "",
    why: str = "",
    by: str = "",
) -> str:
    """Journal a note, repair, waiver, release or confirmed limit and give its id."""
    if kind not in KINDS:
        raise BadInput(f"Unknown act '{kind}'; one of {', '.join(KINDS)}.")
    with writing(job, kind) as session:
        body = {"kind": kind, "subject": subject, "scope": scope, "argument": argument, "why": why}
        return _add(session, "act", "act_id", body, by)


def note(job: Job, subject: str, text: str, *, argument: str = "", by: str = "") -> str:
    """Journal what the crew says of a link or a run."""
    return act(job, "note", subject, argument=argument, why=text, by=by)


def repair(job: Job, link_id: str, why: str, by: str = "") -> str:
    """Void all older readings of a link's fibre."""
    return act(job, "repair", link_id, scope="link", why=why, by=by)


def waive(job: Job, subject: str, why: str, *, scope: str = "link", by: str = "") -> str:
    """Do without planned tests, in writing."""
    return act(job, "waiver", subject, scope=scope, why=why, by=by)


def release(job: Job, subject: str, why: str, *, scope: str, by: str = "") -> str:
    """Release a finished part of the job for handover."""
    return act(job, "release", subject, scope=scope, why=why, by=by)


def confirm_limit(job: Job, name: str, why: str, by: str = "") -> str:
    """Confirm a limit table against one's own copy of the standard."""
    return act(job, "confirm-limit", name, why=why, by=by)


def undo(job: Job, id_: str, why: str, by: str = "") -> str:
    """Take an answer or act back; raise BadInput for an unknown or already undone id."""
    with writing(job, "undo") as session:
        row = session.connection.execute(
            "SELECT 1 FROM entry WHERE kind IN ('answer', 'act') "
            "AND ? IN (json_extract(body, '$.answer_id'), json_extract(body, '$.act_id'))",
            (id_,),
        ).fetchone()
        if row is None:
            raise BadInput(f"No answer or act '{id_}'.")
        if id_ in _undone(session.connection):
            raise BadInput(f"'{id_}' is undone already.")
        return session.record("undo", {"id": id_, "why": why}, by).hash


def decisions(connection: Any) -> Decisions:
    """Return the answers and acts that hold, oldest first."""
    undone = _undone(connection)
    answers, acts = [], []
    for kind, at, who, text in connection.execute(
        "SELECT kind, at, who, body FROM entry WHERE kind IN ('answer', 'act') "
        "ORDER BY at, laptop, seq"
    ).fetchall():
        body = json.loads(text)
        if body.get("answer_id", body.get("act_id")) in undone:
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


def _undone(connection: Any) -> set[str]:
    rows = connection.execute(
        "SELECT json_extract(body, '$.id') FROM entry WHERE kind = 'undo'"
    ).fetchall()
    return {row[0] for row in rows}


def _add(session: Session, kind: str, id_name: str, body: dict[str, Any], by: str) -> str:
    """Journal a decision under a fresh short id."""
    id_ = f"{kind[:2]}-{secrets.token_hex(5)}"
    session.record(kind, {id_name: id_, **body}, by)
    return id_


def _known_readings(session: Session, reading_ids: Sequence[str]) -> None:
    with store.transaction(session.connection):
        session.connection.execute("CREATE TEMP TABLE IF NOT EXISTS asked (reading_id TEXT)")
        session.connection.execute("DELETE FROM asked")
        session.connection.executemany("INSERT INTO asked VALUES (?)", [(r,) for r in reading_ids])
    row = session.connection.execute(
        "SELECT reading_id FROM asked WHERE reading_id NOT IN (SELECT reading_id FROM reading)"
    ).fetchone()
    if row is not None:
        raise BadInput(f"No reading '{row[0]}' in this job.")
