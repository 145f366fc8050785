"""The account of the record: what is open, noticed, decided and replaced, and what seals it."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from reports import facts, numbers
from reports.document import (
    BREAK,
    RULE,
    Block,
    Cell,
    Column,
    Row,
    heading,
    pairs,
    plain,
    sheet,
    table,
    text,
    toned,
)  # fmt: skip
from reports.facts import each
from reports.glyphs import printable
from reports.particulars import Particulars, Seal
from reports.words import Words
from rules.evaluation import Evaluation


def unresolved(results: pd.DataFrame, w: Words) -> list[Block]:
    """List planned tests without an accepted result and why, gathered by link and cause."""
    columns = [
        Column(w("record.link"), 38), Column(w("record.ends"), 46), Column(w("record.tests"), 40),
        Column(w("record.result"), 19), Column(w("record.why"), 0),
    ]  # fmt: skip
    left = facts.unresolved(results)
    test = left["wavelength_nm"].astype("str").mask(left["wavelength_nm"] == 0, "")
    left = left.assign(test=(test + " " + left["direction"]).str.strip())
    keys = ["link_id", "a_end", "b_end", "state", "why"]
    gathered = left.groupby(keys, sort=False, as_index=False).agg(
        test=("test", ", ".join), row=("row", "min")
    )
    rows = [
        plain(r.link_id, f"{r.a_end} – {r.b_end}", r.test, w.label("state", r.state), r.why)
        for r in each(gathered.sort_values("row", kind="stable"))
    ]
    return [
        BREAK,
        heading(w("record.open_head")),
        text(w("record.open_text")),
        *table(columns, rows, w("common.none")),
    ]


def findings(evaluation: Evaluation, w: Words) -> list[Block]:
    """List what the checks found, the weightiest first."""
    columns = [
        Column(w("record.severity"), 14), Column(w("record.subject"), 38),
        Column(w("record.finding"), 0), Column(w("record.remedy"), 54),
    ]  # fmt: skip
    order = evaluation.findings.assign(
        rank=evaluation.findings["severity"].map({"stop": 0, "check": 1, "note": 2})
    ).sort_values(["rank", "code", "subject", "finding_id"], kind="stable")
    rows = [
        [RULE, toned("fail", r.severity) if r.severity == "stop" else r.severity,
         *map(printable, (r.subject, r.message, r.remedy))]
        for r in each(order)
    ]  # fmt: skip
    return [heading(w("record.deviations")), text(w("record.deviations_text")),
            *table(columns, rows, w("common.none"))]  # fmt: skip


def entries(given: Particulars, w: Words) -> list[Block]:
    """List what people did and decided, with reasons."""
    columns = [
        Column(w("record.when"), 28), Column(w("record.who"), 28), Column(w("record.what"), 26),
        Column(w("record.subject"), 42), Column(w("record.reason"), 0),
    ]  # fmt: skip
    blocks: list[Block] = []
    acts = ("repair", "waiver", "release", "confirm-limit")
    for title, wanted in (("acts", True), ("corrections", False)):
        rows = [
            plain(numbers.moment(e.at, w.style), e.who,
                                       w.label("kind", e.kind), e.subject,
                                       " ".join(filter(None, (e.detail, e.why))))
            for e in given.entries if (e.kind in acts) == wanted
        ]  # fmt: skip
        blocks += [heading(w("record." + title)), *table(columns, rows, w("common.none"))]
    return blocks


def replaced(evaluation: Evaluation, w: Words) -> list[Block]:
    """List results that a newer reading replaced."""
    columns = [
        Column(w("record.link"), 0), Column(w("record.nm"), 14, "r"), Column(w("record.way"), 14),
        Column(w("record.loss"), 18, "r"), Column(w("record.limit"), 18, "r"),
        Column(w("record.margin"), 18, "r"), Column(w("record.tested"), 34),
        Column(w("record.run"), 26),
    ]  # fmt: skip
    gone = facts.superseded(evaluation)
    rows = replaced_rows(gone, w)
    return [heading(w("record.retested")), text(w("record.retested_text")),
            *table(columns, rows, w("common.none"))]  # fmt: skip


def replaced_rows(gone: pd.DataFrame, w: Words) -> list[Row]:
    """Write the printed rows of replaced results (`facts.superseded`)."""
    digits, style = gone["digits"].to_numpy(), w.style
    loss = numbers.decibels(gone["loss_db"], digits, style)
    limit = numbers.decibels(gone["limit_db"], digits, style)
    margin = numbers.decibels(gone["margin_db"], digits, style, signed=True)
    return [
        plain(r.link_id, str(r.wavelength_nm), r.direction, loss[i], limit[i],
                                   margin[i], numbers.moment(r.taken_at, style), r.run_id)
        for i, r in enumerate(each(gone))
    ]  # fmt: skip


def questions(evaluation: Evaluation, w: Words) -> list[Block]:
    """List the questions that nobody has answered yet."""
    asked = evaluation.questions.loc[evaluation.questions["state"] == "open"]
    if asked.empty:
        return []
    columns = [Column(w("record.readings"), 18, "r"), Column(w("record.question"), 0),
               Column(w("record.proposal"), 66)]  # fmt: skip
    rows = [
        plain(str(r.readings), r.message, r.proposal)
        for r in each(asked.sort_values("question_id"))
    ]
    return [heading(w("record.questions")), *table(columns, rows, w("common.none"))]


def changes(given: Particulars, w: Words) -> list[Block]:
    """List what differs from the revision before."""
    if not given.previous:
        return []
    title = heading(w("record.changes", number=given.previous))
    if not given.changes:
        return [title, text(w("record.no_changes", number=given.previous))]
    columns = [
        Column(w("record.link"), 44), Column(w("record.nm"), 14, "r"), Column(w("record.way"), 14),
        Column(w("record.what"), 22), Column(w("record.before"), 0), Column(w("record.now"), 42),
    ]  # fmt: skip
    rows = [
        plain(c.link_id, str(c.wavelength_nm), c.direction,
                                   w("record.change_" + c.what), c.before, c.now)
        for c in given.changes
    ]  # fmt: skip
    return [title, *table(columns, rows, w("common.none"))]


def applications(evaluation: Evaluation, w: Words) -> list[Block]:
    """Count the links that carry each network application."""
    counted = facts.applications(evaluation)
    columns = [
        Column(w("record.fibre"), 15), Column(w("record.nm"), 12, "r"),
        Column(w("record.application"), 0), Column(w("record.clause"), 66),
        Column(w("record.max_loss"), 20, "r"), Column(w("record.supported"), 32, "r"),
    ]  # fmt: skip
    rows = [
        plain(
            r.fibre_type, str(r.wavelength_nm), r.application,
            ", ".join(filter(None, (r.standard, r.clause)))
            + ("" if r.confidence == "seen" else " *"),
            numbers.decibel(r.max_loss_db, 2, w.style),
            w("record.of", part=numbers.count(int(r.supported), w.style),
              whole=numbers.count(int(r.links), w.style)),
        )
        for r in each(counted)
    ]  # fmt: skip
    return [
        heading(w("record.applications")),
        text(w("record.applications_text")),
        *table(columns, rows, w("common.none")),
    ]


def rest(given: Particulars, w: Words) -> list[Block]:
    """List the cables outside the scope with what is open there."""
    if given.scope[0] == "job":
        return []
    columns = [
        Column(w("scope.cable"), 0), Column(w("summary.planned"), 30, "r"),
        Column(w("summary.accepted"), 30, "r"), Column(w("summary.waived"), 30, "r"),
        Column(w("record.open_tests"), 30, "r"),
    ]  # fmt: skip
    rows = [
        plain(r.cable, *(numbers.count(n, w.style) for n in (
            r.planned, r.accepted, r.waived, r.planned - r.accepted - r.waived)))
        for r in given.rest
    ]  # fmt: skip
    return [
        heading(w("record.rest")),
        text(w("record.rest_text")),
        *table(columns, rows, w("common.none")),
    ]


def missing(given: Particulars, w: Words) -> list[Block]:
    """List what the owner's requirements still miss."""
    if not given.missing:
        return []
    rows = [plain(*item.split(": ", 1)) for item in given.missing]
    columns = [Column(w("record.demand"), 84), Column(w("record.lacking"), 0)]
    return [heading(w("record.requirements")), *table(columns, rows, w("common.none"))]


def seals(given: Particulars, files: Sequence[Seal], w: Words) -> list[Block]:
    """List every other file of the set and every original with its hash."""
    listed = [Column(w("record.file"), 0), Column(w("record.size"), 22, "r"),
             Column(w("record.hash"), 104)]  # fmt: skip
    rows = [[*plain(s.path, numbers.count(s.size, w.style)), _hash(s.sha256)] for s in files]
    dumps = [Column(w("record.dump"), 0), Column(w("record.arrived"), 28),
             Column(w("record.size"), 18, "r"), Column(w("record.hash"), 96)]  # fmt: skip
    kept = [
        [
            *plain(", ".join(d.names or (d.name,)), numbers.moment(d.arrived_at, w.style),
                   numbers.count(d.size, w.style)),
            _hash(d.sha256),
        ]
        for d in given.dumps
    ]  # fmt: skip
    chains = [(name, head) for name, head in given.chains]
    return [
        BREAK, heading(w("record.seals")), text(w("record.seals_text")),
        pairs([(w("record.job_head"), given.job_head), *chains], 34),
        sheet(listed, [rows], 8.2),
        heading(w("record.originals")), text(w("record.originals_text")), sheet(dumps, [kept], 8.2),
    ]  # fmt: skip


def _hash(sha256: str) -> Cell:
    return {"k": "hash", "t": sha256}
