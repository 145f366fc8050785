"""The board: how far the job is, how fast it goes, what fails, and what waits for a decision."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import pace, show
from desk.page.office import Reader, Row
from rules.codes.findings import FINDINGS

SCOPES = (("building", "Buildings"), ("floor", "Floors"), ("cable", "Cables"), ("panel", "Panels"))
DAYS_SHOWN = 14
MOST_WAITING = 8
MOST_PARTS = 40
MOST_PLACES = 12


def board(request: Request) -> Response:
    """Show the board."""
    office = show.office_of(request)
    # an empty board is quickly computed, and should not ask for a plan that has just come
    figures = office.glance(*WARM, enough=lambda facts: bool(facts["job"]))
    facts = figures.value
    zone = ZoneInfo(office.job().file.timezone)
    by_day = {date.fromisoformat(day): count for day, count in facts["days"]}
    job = facts["job"]
    left = job["planned"] - job["measured"] - job["waived"] if job else 0
    today = datetime.now(UTC).astimezone(zone).date()
    return show.page(
        request,
        "board.html",
        here="/",
        figures=figures,
        **facts,
        scopes=SCOPES,
        forecast=pace.forecast(by_day, left, today),
        now=datetime.now(UTC),
        day_most=max(by_day.values(), default=0),
        days_shown=sorted(by_day.items())[-DAYS_SHOWN:],
    )


def _facts(read: Reader) -> dict[str, Any]:
    rows = read.rows("SELECT * FROM derived_completion ORDER BY rowid")
    for row in rows:
        row["missing"] = row["planned"] - sum(
            row[name]
            for name in ("accepted", "failed", "doubtful", "no_limit", "blocked", "waived")
        )
    by_scope: dict[str, list[Row]] = {}
    for row in rows:
        by_scope.setdefault(row["scope"], []).append(row)
    waiting = _waiting(read)
    return {
        "job": (by_scope.pop("job", None) or [{}])[0],
        "by_scope": {scope: _shown(parts) for scope, parts in by_scope.items()},
        "days": _days(read),
        "causes": _causes(read),
        "places": _places(read),
        "waiting": waiting[:MOST_WAITING],
        "waiting_count": len(waiting),
        "revision": _revision(read),
        "balance": read.rows(
            'SELECT coalesce(sum("read"), 0) AS "read", coalesce(sum(paired), 0) AS paired, '
            "coalesce(sum(question), 0) AS question FROM derived_balance"
        )[0],
    }


def _shown(parts: list[Row]) -> tuple[list[Row], int]:
    """Choose the parts with most left to do where there are too many, and count the others."""
    if len(parts) <= MOST_PARTS:
        return parts, 0
    most = sorted(parts, key=lambda row: row["accepted"] + row["waived"] - row["planned"])
    chosen = {id(row) for row in most[:MOST_PARTS]}
    return [row for row in parts if id(row) in chosen], len(parts) - MOST_PARTS


def _days(read: Reader) -> list[tuple[str, int]]:
    """Count planned tests by the local day on which they were first made, where the clock holds."""
    test = ["link_id", "kind", "wavelength_nm", "direction"]
    pairs = read.columns("pairs", ("row", "status", *test))
    state = read.columns("reading_state", ("row", "taken_at", "clock_state"))
    made = pairs.loc[pairs["status"] == "paired"].merge(state, on="row")
    holds = (made["taken_at"] != "") & made["clock_state"].isin(("ok", "corrected"))
    day = made.loc[holds].assign(day=made["taken_at"].str[:10]).groupby(test, sort=False)["day"]
    counted = day.min().value_counts().sort_index()
    return [(str(name), int(tests)) for name, tests in counted.items()]


def _causes(read: Reader) -> list[Row]:
    """Group failed tests by what the findings say of their links."""
    found = read.rows(
        "SELECT coalesce(f.code, '') AS code, count(DISTINCT t.link_id) AS links FROM "
        "(SELECT link_id FROM derived_link_states WHERE failed > 0) t "
        "LEFT JOIN derived_findings f ON f.link_id = t.link_id AND f.severity != 'note' "
        "GROUP BY code ORDER BY links DESC, code"
    )
    for row in found:
        known = FINDINGS.get(row["code"])
        row["words"] = known.meaning if known else "over the limit, nothing else suspect"
    return found


def _places(read: Reader) -> list[Row]:
    return read.rows(
        "SELECT p.building, p.floor, p.cable, sum(t.failed) AS tests, "
        "count(*) AS links, min(t.link_id) AS first_link "
        # CROSS: the failed links are few, so they come first
        "FROM derived_link_states t CROSS JOIN plan_link p ON p.link_id = t.link_id "
        f"AND p.plan = ({LAST_PLAN}) WHERE t.failed > 0 "
        "GROUP BY p.building, p.floor, p.cable ORDER BY tests DESC, p.cable LIMIT ?",
        (MOST_PLACES,),
    )


def _waiting(read: Reader) -> list[Row]:
    """List open questions with the time at which their oldest reading came in, oldest first."""
    arrived = {
        row["start"]: row["arrived_at"]
        for row in read.rows("SELECT substr(sha256, 1, 16) AS start, arrived_at FROM dump")
    }
    rows = read.rows(
        "SELECT question_id, message, proposal, readings, reading_ids FROM derived_questions "
        "WHERE state = 'open'"
    )
    for row in rows:
        starts = {reading[:16] for reading in json.loads(row.pop("reading_ids") or "[]")}
        row["since"] = min((arrived[start] for start in starts if start in arrived), default="")
    rows.sort(key=lambda row: (row["since"] or "9", -row["readings"], row["question_id"]))
    return rows


def _revision(read: Reader) -> Row | None:
    """Say what the newest plan revision changed against the one before it."""
    plans = read.rows(
        "SELECT at, who, json_extract(body, '$.sha256') AS plan, "
        "json_extract(body, '$.name') AS name FROM entry WHERE kind = 'plan' "
        "ORDER BY at, laptop, seq"
    )
    if not plans:
        return None
    newest = plans[-1] | {"number": len(plans), "added": 0, "removed": 0}
    if len(plans) > 1:
        pair = (plans[-1]["plan"], plans[-2]["plan"])
        for name, (left, right) in (("added", pair), ("removed", pair[::-1])):
            newest[name] = read.one(
                "SELECT count(*) FROM (SELECT link_id FROM plan_link WHERE plan = ? EXCEPT "
                "SELECT link_id FROM plan_link WHERE plan = ?)",
                (left, right),
            )
    return newest


LAST_PLAN = (
    "SELECT json_extract(body, '$.sha256') FROM entry WHERE kind = 'plan' "
    "ORDER BY at DESC, laptop DESC, seq DESC LIMIT 1"
)
"""The hash of the newest plan, as a scalar subquery."""

WARM = ("board", _facts)
ROUTES = [Route("/", board)]
