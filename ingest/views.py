"""Stored results as plain values, through sqlite3 alone: quick, and without pandas.

Every function brings the store up to date first where it must (`ingest.current`), reads all rows
and closes; rows are dicts with the columns of `rules.tables`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from ingest import beat, current, store
from ingest.errors import BadInput
from ingest.job import Job
from rules.codes import FAILING

Row = dict[str, Any]
_JSON = ("reading_ids", "options", "evidence", "terms", "names", "lines")


def status(job: Job) -> Row:
    """Return the board: completion by scope, the balance in all, and what is open.

    Keys: name, as_of, revision, links, planned, completion, balance, questions (open),
    findings (open, by severity), dumps (by state), retests, watching (`at` and `folder` of the
    last look of a watch, or None).
    """
    with _open(job) as ask:
        counts = {
            "questions": "SELECT count(*) FROM derived_questions WHERE state = 'open'",
            "retests": "SELECT count(*) FROM derived_retests",
            "revision": "SELECT count(*) FROM entry WHERE kind = 'plan'",
        }
        return {
            "name": job.file.name,
            "as_of": _meta(ask, "as_of"),
            "watching": beat.last(job.folder),
            **{name: ask.one(sql) for name, sql in counts.items()},
            "links": ask.one("SELECT count(*) FROM derived_link_states"),
            "planned": int(_meta(ask, "planned") or 0),
            "completion": ask.rows(
                "SELECT * FROM derived_completion ORDER BY CASE scope WHEN 'job' THEN 0 "
                "WHEN 'building' THEN 1 WHEN 'floor' THEN 2 WHEN 'area' THEN 3 "
                "WHEN 'cable' THEN 4 ELSE 5 END, name"
            ),
            "balance": _total(ask),
            "findings": dict(ask.tuples(
                "SELECT severity, count(*) FROM derived_findings GROUP BY severity"
            )),
            "dumps": dict(ask.tuples(
                "SELECT CASE WHEN aside THEN 'set-aside' ELSE state END AS s, count(*) "
                "FROM dump GROUP BY s"
            )),
        }  # fmt: skip


def retests(job: Job, panel: str = "") -> list[Row]:
    """Return RETESTS in order of plan, each link's in walking order, of one panel or of all."""
    with _open(job) as ask:
        found = ask.rows(
            "SELECT * FROM derived_retests WHERE ? IN ('', panel) ORDER BY position, step",
            (panel,),
        )
    for row in found:
        del row["step"]  # the store's own
    return found


def questions(job: Job, state: str = "") -> list[Row]:
    """Return QUESTIONS, the heaviest first; `state` is `open`, `answered` or empty for all."""
    with _open(job) as ask:
        return ask.rows(
            "SELECT * FROM derived_questions WHERE ? IN ('', state) "
            "ORDER BY state DESC, weight DESC, question_id",
            (state,),
        )


def question(job: Job, question_id: str) -> Row:
    """Return one question, by its id or the beginning of it, with its readings (`rows`).

    Raises BadInput for an unknown id or a beginning of several.
    """
    from ingest import lookup

    with _open(job) as ask:
        found = ask.rows(
            "SELECT * FROM derived_questions WHERE substr(question_id, 1, ?) = ?",
            (len(question_id), question_id),
        )
        if len(found) != 1:
            raise BadInput(
                f"{'Several questions begin' if found else 'No question begins'} "
                f"with '{question_id}'; see `glasstally questions`."
            )
        ids = found[0]["reading_ids"]
        return found[0] | {"rows": lookup.by_ids(ask.connection, ids)}


def findings(job: Job, severity: str = "", link_id: str = "") -> list[Row]:
    """Return FINDINGS, stops first."""
    with _open(job) as ask:
        return ask.rows(
            "SELECT * FROM derived_findings WHERE ? IN ('', severity) AND ? IN ('', link_id) "
            "ORDER BY CASE severity WHEN 'stop' THEN 0 WHEN 'check' THEN 1 ELSE 2 END, "
            "code, subject, finding_id",
            (severity, link_id),
        )


def runs(job: Job) -> list[Row]:
    """Return RUNS in order of id."""
    with _open(job) as ask:
        return ask.rows("SELECT * FROM derived_runs ORDER BY run_id")


def balance(job: Job) -> list[Row]:
    """Return BALANCE, one row per dump that has readings."""
    with _open(job) as ask:
        return ask.rows("SELECT * FROM derived_balance ORDER BY dump_name, dump_sha256")


def limits(job: Job, link_id: str) -> list[Row]:
    """Return LIMIT_ROWS of a link."""
    with _open(job) as ask:
        order = ("wavelength_nm", "reference_method", "cord_grade", "limit_name")
        return sorted(
            ask.of_link("limits", link_id), key=lambda row: tuple(row[name] for name in order)
        )


def link(job: Job, link_id: str) -> Row:
    """Return everything about one link; raise BadInput where the plan has no such link.

    Keys: plan (LINKS row), tests (TEST_STATES), grades, limits, findings, questions, readings,
    acts (decisions about it, newest first).
    """
    from ingest import lookup

    with _open(job) as ask:
        plan_row = ask.rows(
            f"SELECT * FROM plan_link WHERE plan = ({_LAST_PLAN}) AND link_id = ?",
            (link_id,),
        )
        if not plan_row:
            raise BadInput(f"No link '{link_id}' in the plan.")
        suspected = ask.rows("SELECT * FROM derived_findings WHERE link_id = ?", (link_id,))
        rows = lookup.of_link(ask.connection, link_id)
        asked = ask.rows(
            "SELECT DISTINCT q.* FROM derived_questions q, json_each(q.options) o "
            "WHERE json_extract(o.value, '$.link_id') = ?1 OR EXISTS (SELECT 1 FROM "
            "json_each(o.value, '$.link_ids') i WHERE i.value = ?1)",
            (link_id,),
        )
        acts = ask.rows(
            "SELECT at, who, body FROM entry WHERE kind = 'act' "
            "AND json_extract(body, '$.subject') = ? ORDER BY at DESC",
            (link_id,),
        )
        return {
            "plan": plan_row[0], "tests": ask.of_link("test_states", link_id),
            "grades": ask.of_link("grades", link_id), "limits": ask.of_link("limits", link_id),
            "findings": suspected, "questions": asked, "readings": rows,
            "acts": [json.loads(a["body"]) | {"at": a["at"], "who": a["who"]} for a in acts],
        }  # fmt: skip


def beside(job: Job, row: int, reach: int = 2) -> list[Row]:
    """Return the visits of a run around one reading, as its dump holds them.

    row: the reading's row in the store. Each visit: label, link_id (empty where unpaired), own
    (whether the reading belongs to it); `reach` of them on either side.
    """
    from ingest import lookup

    with _open(job) as ask:
        near = lookup.by_rows(ask.connection, range(row - 16 * reach, row + 16 * reach + 1))
    here = [(entry["dump_sha256"], entry["run_id"]) for entry in near if entry["row"] == row]
    visits: list[Row] = []
    for entry in sorted(near, key=lambda entry: (entry["record"], entry["row"])):
        if entry["quantity"] == "reference" or (entry["dump_sha256"], entry["run_id"]) not in here:
            continue
        own = entry["row"] == row
        if visits and visits[-1]["label"] == entry["label"]:
            visits[-1]["own"] |= own
        else:
            visits.append({"label": entry["label"], "link_id": entry["link_id"] or "", "own": own})
    at = next((n for n, visit in enumerate(visits) if visit["own"]), 0)
    return visits[max(at - reach, 0) : at + reach + 1]


def plan(job: Job) -> Row:
    """Return the newest plan in short: revision, links, planned, and its cables.

    Each cable: cable, fibre_type, links, planned, a_panels, b_panels.
    """
    with _open(job) as ask:
        links = ask.rows(
            "SELECT link_id, cable, fibre_type, a_end, b_end FROM plan_link "
            f"WHERE plan = ({_LAST_PLAN}) ORDER BY position"
        )
        tests = dict(ask.tuples("SELECT link_id, tests FROM derived_link_states"))
        cables: dict[tuple[str, str], Row] = {}
        for row in links:
            cable = cables.setdefault((row["cable"], row["fibre_type"]), {
                "cable": row["cable"], "fibre_type": row["fibre_type"], "links": 0,
                "planned": 0, "a_panels": set(), "b_panels": set(),
            })  # fmt: skip
            cable["links"] += 1
            cable["planned"] += tests.get(row["link_id"], 0)
            for end in ("a", "b"):
                cable[f"{end}_panels"].add(row[f"{end}_end"].rpartition(":")[0])
        for cable in cables.values():
            for end in ("a_panels", "b_panels"):
                cable[end] = ", ".join(sorted(cable[end] - {""}))
        return {
            "revision": ask.one("SELECT count(*) FROM entry WHERE kind = 'plan'"),
            "links": len(links), "planned": int(_meta(ask, "planned") or 0),
            "cables": list(cables.values()),
        }  # fmt: skip


def dumps(job: Job) -> list[Row]:
    """Return every dump: sha256, name, names, arrived_at, size, origin, state, reason, parser …"""
    with _open(job) as ask:
        return ask.rows(
            "SELECT sha256, name, names, arrived_at, size, origin, complete, "
            "CASE WHEN aside THEN 'set-aside' ELSE state END AS state, reason, parser, "
            "parser_version, lines, last_row - first_row + 1 AS readings "
            "FROM dump ORDER BY arrived_at, sha256"
        )


def find_dump(job: Job, given: str) -> Row:
    """Return the dump of a name or the first digits of a hash; raise BadInput if not one."""
    found = [
        row for row in dumps(job)
        if given in row["names"] or (len(given) >= 6 and row["sha256"].startswith(given.lower()))
    ]  # fmt: skip
    if len(found) != 1:
        raise BadInput(
            f"{'Several dumps are' if found else 'No dump is'} called '{given}'; "
            "see `glasstally dump list` and give the first digits of its hash."
        )
    return found[0]


def dump(job: Job, sha256: str) -> Row:
    """Return what the receipt of a dump needs: state, balance, faults, questions, failures."""
    with _open(job) as ask:
        row = ask.rows("SELECT * FROM dump WHERE sha256 = ?", (sha256,))[0]
        span = (row["first_row"], row["last_row"])
        counts = ask.rows("SELECT * FROM derived_balance WHERE dump_sha256 = ?", (sha256,))
        return {
            "state": "set-aside" if row["aside"] else row["state"],
            "reason": row["reason"],
            "parser": row["parser"],
            "balance": {
                k: v for k, v in (counts[0] if counts else {}).items() if not k.startswith("dump_")
            },
            "faults": ask.rows(
                'SELECT line, "column", code, found, expected, remedy FROM fault WHERE dump = ? '
                "ORDER BY line",
                (row["id"],),
            ),
            "questions": ask.rows(
                "SELECT * FROM derived_questions q WHERE state = 'open' AND EXISTS (SELECT 1 "
                "FROM json_each(q.reading_ids) i WHERE substr(i.value, 1, 16) = ?)",
                (sha256[:16],),
            ),
            "failures": _failures(ask, sha256) if span[1] >= span[0] else [],
        }  # fmt: skip


def _failures(ask: _Ask, sha256: str) -> list[Row]:
    """Return the failing GRADES that rest on a reading of a dump."""
    over = ask.tuples("SELECT link_id FROM derived_link_states WHERE over > 0 ORDER BY link_id")
    rows = [
        row for (link_id,) in over for row in ask.of_link("grades", link_id)
        if row["grade"] in FAILING and any(id_[:16] == sha256[:16] for id_ in row["reading_ids"])
    ]  # fmt: skip
    return sorted(rows, key=lambda row: (row["link_id"], row["wavelength_nm"], row["direction"]))


_LAST_PLAN = (
    "SELECT json_extract(body, '$.sha256') FROM entry WHERE kind = 'plan' "
    "ORDER BY at DESC, laptop DESC, seq DESC LIMIT 1"
)


class _Ask:
    """A read-only connection that gives dicts."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection

    def tuples(self, sql: str, arguments: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        return self.connection.execute(sql, arguments).fetchall()

    def one(self, sql: str, arguments: Sequence[Any] = ()) -> Any:
        return self.connection.execute(sql, arguments).fetchone()[0]

    def rows(self, sql: str, arguments: Sequence[Any] = ()) -> list[Row]:
        cursor = self.connection.execute(sql, arguments)
        names = [item[0] for item in cursor.description]
        return _listed([dict(zip(names, row, strict=True)) for row in cursor.fetchall()])

    def of_link(self, name: str, link_id: str) -> list[Row]:
        from ingest import blocks

        return _listed(blocks.of_link(self.connection, name, link_id))


def _listed(rows: list[Row]) -> list[Row]:
    """Unfold the columns that hold lists."""
    for row in rows:
        for name in _JSON:
            if name in row:
                row[name] = json.loads(row[name]) if row[name] else []
    return rows


@contextmanager
def _open(job: Job) -> Iterator[_Ask]:
    current.ensure(job)
    with store.reader(job.store) as connection:
        yield _Ask(connection)


def _meta(ask: _Ask, key: str) -> str:
    found = ask.tuples("SELECT value FROM meta WHERE key = ?", (key,))
    return str(found[0][0]) if found else ""


def _total(ask: _Ask) -> Row:
    names = (
        "read", "paired", "question", "outside_plan", "duplicate", "reference", "left_out",
        "refused", "doubtful",
    )  # fmt: skip
    sums = ", ".join(f'coalesce(sum("{name}"), 0) AS "{name}"' for name in names)
    return ask.rows(f"SELECT {sums} FROM derived_balance")[0]
