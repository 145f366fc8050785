"""Gather from a job what its handover says: parties, originals, journal, decisions, limits."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from ingest import derive, journal, originals, store
from ingest.errors import plainly
from ingest.job import Job
from reports.particulars import Certificate, Dump, Entry, LimitNote, Particulars, Rest
from rules.evaluation import Evaluation
from rules.limit_sets import LimitSet

CERTIFICATES = "certificates"
"""Folder of the job that holds calibration certificates, named by serial number."""


@dataclass(frozen=True)
class Kept:
    """Bytes of the job that go into the set unchanged, by file name within their kind."""

    originals: dict[str, bytes]
    journal: dict[str, bytes]
    certificates: dict[str, bytes]

    def by_kind(self) -> Iterator[tuple[str, dict[str, bytes]]]:
        """Yield each kind with its files."""
        yield "originals", self.originals
        yield "journal", self.journal
        yield "certificates", self.certificates


@dataclass(frozen=True)
class Dossier:
    """One consistent look at a job: what follows from its journal up to its heads."""

    evaluation: Evaluation
    given: Particulars
    kept: Kept


def gather(job: Job) -> Dossier:
    """Derive the job and collect everything that a handover of it needs.

    The journal is cut at the heads that the evaluation has seen, so that a dump arriving meanwhile
    changes nothing.
    """
    evaluation = derive.derive(job).spelled()
    with store.reader(job.store) as connection:
        chains = connection.execute("SELECT laptop, offset, hash FROM chain ORDER BY 1").fetchall()
        dumps = _dumps(connection)
        entries = _entries(connection)
        plans = connection.execute(
            "SELECT count(*), max(at) FROM entry WHERE kind = 'plan'"
        ).fetchone()
    with plainly("Reading the journal"):
        lines = {
            f"{laptop}.jsonl": journal.path_of(job.journals, laptop).read_bytes()[:offset]
            for laptop, offset, _ in chains
        }
    papers, files = _certificates(job)
    kept = Kept({d.path: originals.read(job.originals, d.sha256) for d in dumps}, lines, files)
    given = Particulars(
        job=job.file.name,
        customer=job.file.customer,
        site=job.file.site,
        contractor="",
        settings=job.settings,
        as_of=evaluation.as_of,
        revision=0,
        job_head=journal.job_head([head for _, _, head in chains]),
        limits=limit_notes(evaluation, derive.own_limits(job)),
        dumps=dumps,
        entries=entries,
        certificates=papers,
        plan_change=f"loaded {plans[1][:10]}" if plans[0] else "",
        chains=tuple((laptop, head) for laptop, _, head in chains),
    )
    return Dossier(evaluation, given, kept)


def limit_notes(evaluation: Evaluation, sets: dict[str, LimitSet]) -> tuple[LimitNote, ...]:
    """State every limit that graded something: its edition, clauses and confirmation."""
    rows = evaluation.limits.loc[evaluation.limits["limit_db"].notna()]
    notes = []
    for name, group in rows.groupby("limit_name", sort=True):
        known = sets.get(str(name))
        clauses = sorted(set(group["clause"]) - {""})
        notes.append(
            LimitNote(
                str(name), known.edition if known else str(name), "", "; ".join(clauses),
                bool(group["limit_confirmed"].all()), known.note if known else "",
            )
        )  # fmt: skip
    return tuple(notes)


def safe_name(name: str) -> str:
    """Make a name that every file system takes and that cannot leave its folder."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", name.replace("\\", "/").rsplit("/", 1)[-1])
    return plain.strip("._")[-60:] or "dump"


def _dumps(connection: sqlite3.Connection) -> tuple[Dump, ...]:
    rows = connection.execute(
        "SELECT sha256, name, names, arrived_at, size FROM dump ORDER BY arrived_at, sha256"
    ).fetchall()
    return tuple(
        Dump(sha, name, tuple(json.loads(names)), at, size,
             f"{sha[:12]}-{safe_name(name)}")
        for sha, name, names, at, size in rows
    )  # fmt: skip


def _entries(connection: sqlite3.Connection) -> tuple[Entry, ...]:
    """List what people decided, in order of time, with what was taken back."""
    made = []
    for at, who, kind, text in connection.execute(
        "SELECT at, who, kind, body FROM entry WHERE kind IN ('answer', 'act', 'undo') "
        "ORDER BY at, laptop, seq"
    ):
        body = json.loads(text)
        if kind == "answer":
            links = sorted(set(filter(None, body.get("link_ids", ()))))
            count = len(body.get("reading_ids", ()))
            subject = ", ".join(links[:4]) + (" …" if len(links) > 4 else "")
            detail = " ".join(
                filter(None, (body["action"], body.get("argument", ""), f"({count} readings)"))
            )
            made.append(Entry(at, who, "answer", subject, body.get("why", ""), detail))
        elif kind == "act":
            made.append(
                Entry(at, who, body["kind"], body["subject"], body.get("why", ""),
                      body.get("argument", ""))
            )  # fmt: skip
        else:
            made.append(Entry(at, who, "undo", body["id"], body.get("why", "")))
    return tuple(made)


def _certificates(job: Job) -> tuple[tuple[Certificate, ...], dict[str, bytes]]:
    """Find the certificate of each instrument: the file whose name begins with its serial."""
    folder: Path = job.folder / CERTIFICATES
    papers: list[Certificate] = []
    files: dict[str, bytes] = {}
    with plainly("Reading the certificates"):
        present = sorted(p for p in folder.glob("*") if p.is_file()) if folder.is_dir() else []
        for one in job.settings.instruments:
            for path in present:
                if path.name.casefold().startswith(one.serial.casefold()):
                    data = path.read_bytes()
                    inside = safe_name(path.name)
                    papers.append(Certificate(one.serial, inside, hashlib.sha256(data).hexdigest()))
                    files[inside] = data
                    break
    return tuple(papers), files


def cut(dossier: Dossier, kind: str, name: str) -> Dossier:
    """Restrict a dossier to one scope; raises KeyError with the names there are."""
    from reports import facts

    inside = facts.restrict(dossier.evaluation, kind, name)
    used = set(inside.readings["dump_sha256"])
    dumps = tuple(d for d in dossier.given.dumps if d.sha256 in used)
    paths = {d.path for d in dumps}
    kept = replace(
        dossier.kept, originals={p: b for p, b in dossier.kept.originals.items() if p in paths}
    )
    balance = inside.balance.loc[inside.balance["dump_sha256"].isin(used)]
    inside = replace(inside, balance=pd.DataFrame(balance).reset_index(drop=True))
    given = replace(
        dossier.given, scope=(kind, name), dumps=dumps, rest=_rest(dossier.evaluation, inside)
    )
    return Dossier(inside, given, kept)


def _rest(whole: Evaluation, inside: Evaluation) -> tuple[Rest, ...]:
    """Count what lies outside a scope, cable by cable in plan order."""
    links = whole.plan.links
    outside = links.loc[~links["link_id"].isin(inside.plan.links["link_id"])]
    states = whole.test_states.merge(outside[["link_id", "cable"]], on="link_id")
    made = []
    for cable in outside["cable"].drop_duplicates():
        own = states.loc[states["cable"] == cable, "state"]
        made.append(
            Rest(cable, len(own), int((own == "accepted").sum()), int((own == "waived").sum()))
        )
    return tuple(made)
