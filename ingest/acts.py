"""What people decide: answers and acts, each one journal entry that is never changed.

An answer or act taken back is a further entry of kind `undo`.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from ingest.decisions import undone
from ingest.derive import own_limits, refresh
from ingest.errors import BadInput
from ingest.job import Job
from ingest.planload import newest
from ingest.session import Session, writing

ACTIONS = (
    "place", "direction", "outside-plan", "leave-out", "accept-value", "retest", "ask-crew",
    "alias",
)  # fmt: skip


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
        id_ = _add(session, "answer", "answer_id", {
            "question_id": question_id, "action": action, "reading_ids": list(reading_ids),
            "link_ids": list(link_ids), "argument": argument, "why": why,
        }, by)  # fmt: skip
    refresh(job)
    return id_


def note(job: Job, subject: str, why: str, *, argument: str = "", by: str = "") -> str:
    """Journal what the crew says of a link or run; `argument` is `skipped`, `blocked` or empty."""
    with writing(job, "note") as session:
        id_ = _act(session, "note", subject, "", argument, why, by)
    refresh(job)
    return id_


def repair(
    job: Job,
    links: Sequence[str],
    *,
    why: str = "",
    by: str = "",
    neighbours: bool = False,
    at: str = "",
) -> list[dict[str, str]]:
    """Void all older readings of links, on request also of their neighbours; give what was done.

    Neighbours share the route, or the tube of the same cable. `at` is when the repair was made, in
    the job's time zone unless it names an offset; empty: now.
    """
    made = _moment(at, job.settings.timezone) if at else ""
    with writing(job, "repair") as session:
        plan = _in_plan(session, links)
        wanted = list(dict.fromkeys(links))
        if neighbours:
            named = plan[plan["link_id"].isin(wanted)]
            beside = (plan["route"] != "") & plan["route"].isin(named["route"])
            tube = plan["cable"] + "\x1f" + plan["tube"]
            beside |= (plan["tube"] != "") & tube.isin(tube[named.index])
            wanted += [link for link in plan.loc[beside, "link_id"] if link not in wanted]
        done = [
            {"act_id": _act(session, "repair", link, "link", made, why, by), "link_id": link}
            for link in wanted
        ]
    refresh(job)
    return done


def _moment(text: str, timezone: str) -> str:
    """Return a time that a person typed as ISO UTC."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(f"'{text}' is no time; write 2026-03-02T14:30.") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(timezone))
    return moment.astimezone(UTC).isoformat(timespec="seconds")


def waive(job: Job, links: Sequence[str], *, why: str, by: str = "") -> list[dict[str, str]]:
    """Do without what is open on links, in writing; give what was done."""
    if not why.strip():
        raise BadInput("A waiver needs its reason in words.")
    with writing(job, "waive") as session:
        _in_plan(session, links)
        done = [
            {"act_id": _act(session, "waiver", link, "link", "", why, by), "link_id": link}
            for link in dict.fromkeys(links)
        ]
    refresh(job)
    return done


def release(job: Job, name: str, *, why: str = "", by: str = "") -> dict[str, str]:
    """Release a finished cable, area or building for handover; give what was done."""
    with writing(job, "release") as session:
        plan = newest(session.connection)[1]
        scopes = [s for s in ("cable", "area", "building") if name and (plan[s] == name).any()]
        if not scopes:
            raise BadInput(f"The plan has no cable, area or building '{name}'.")
        act_id = _act(session, "release", name, scopes[0], "", why, by)
    refresh(job)
    return {"act_id": act_id, "scope": scopes[0], "name": name}


def set_aside(job: Job, sha256: str, *, why: str, by: str = "") -> None:
    """Take a dump out of the derived tables: brought by mistake, or of another job."""
    _move(job, "set-aside", sha256, why, by)


def bring_back(job: Job, sha256: str, *, why: str = "", by: str = "") -> None:
    """Return a dump that was set aside."""
    _move(job, "bring-back", sha256, why, by)


def _move(job: Job, kind: str, sha256: str, why: str, by: str) -> None:
    with writing(job, kind) as session:
        row = session.connection.execute(
            "SELECT aside FROM dump WHERE sha256 = ?", (sha256,)
        ).fetchone()
        if row is None:
            raise BadInput(f"No dump '{sha256[:12]}' in this job.")
        if bool(row[0]) == (kind == "set-aside"):
            raise BadInput(f"The dump is {'' if row[0] else 'not '}set aside already.")
        session.record(kind, {"sha256": sha256, "why": why}, by)
    refresh(job)


def confirm_limit(job: Job, name: str, *, why: str = "", by: str = "") -> str:
    """Confirm the present values of a limit set against one's own copy of the standard."""
    sets = own_limits(job)
    if name not in sets:
        raise BadInput(f"No limit set '{name}'; there are: {', '.join(sorted(sets))}.")
    with writing(job, "confirm a limit") as session:
        id_ = _act(session, "confirm-limit", name, "", sets[name].digest, why, by)
    refresh(job)
    return id_


def _in_plan(session: Session, links: Sequence[str]) -> pd.DataFrame:
    plan = newest(session.connection)[1]
    unknown = [link for link in links if link not in set(plan["link_id"])]
    if unknown or not links:
        raise BadInput(*(f"No link '{link}' in the plan." for link in unknown or [""]))
    return plan


def _act(
    session: Session, kind: str, subject: str, scope: str, argument: str, why: str, by: str
) -> str:
    body = {"kind": kind, "subject": subject, "scope": scope, "argument": argument, "why": why}
    return _add(session, "act", "act_id", body, by)


def undo(job: Job, id_: str, why: str, by: str = "") -> None:
    """Take an answer or act back; raise BadInput for an unknown or already undone id."""
    with writing(job, "undo") as session:
        row = session.connection.execute(
            "SELECT 1 FROM entry WHERE kind IN ('answer', 'act') "
            "AND ? IN (json_extract(body, '$.answer_id'), json_extract(body, '$.act_id'))",
            (id_,),
        ).fetchone()
        if row is None:
            raise BadInput(f"No answer or act '{id_}'.")
        if id_ in undone(session.connection):
            raise BadInput(f"'{id_}' is undone already.")
        session.record("undo", {"id": id_, "why": why}, by)
    refresh(job)


def _add(session: Session, kind: str, id_name: str, body: dict[str, Any], by: str) -> str:
    """Journal a decision under a fresh short id."""
    id_ = f"{kind[:2]}-{secrets.token_hex(5)}"
    session.record(kind, {id_name: id_, **body}, by)
    return id_


def _known_readings(session: Session, reading_ids: Sequence[str]) -> None:
    """Refuse ids that no dump has; an id begins with its dump's hash, which narrows the search."""
    spans = {
        sha256[:16]: (first, last)
        for sha256, first, last in session.connection.execute(
            "SELECT sha256, first_row, last_row FROM dump"
        ).fetchall()
    }
    asked: dict[str, set[str]] = {}
    for id_ in reading_ids:
        asked.setdefault(id_[:16], set()).add(id_)
    for prefix, ids in asked.items():
        found = session.connection.execute(
            "SELECT reading_id FROM reading WHERE row BETWEEN ? AND ? "
            "AND reading_id IN (SELECT value FROM json_each(?))",
            (*spans.get(prefix, (0, -1)), json.dumps(sorted(ids))),
        ).fetchall()
        if len(found) < len(ids):
            unknown = min(ids - {row[0] for row in found})
            raise BadInput(f"No reading '{unknown}' in this job.")
