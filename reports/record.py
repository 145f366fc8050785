"""The record: the printed proof of what was planned, measured, judged and left open."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from reports import account, facts, numbers, resulttable
from reports.document import (
    BREAK,
    Block,
    Column,
    Document,
    Row,
    heading,
    part_rows,
    parts_of,
    plain,
    sub,
    table,
    text,
    toned,
)  # fmt: skip
from reports.glyphs import printable
from reports.particulars import Particulars, Seal
from reports.statement import statement
from reports.words import Words, words
from rules.evaluation import Evaluation

VOLUME_ROWS = 45_000
"""Results up to this many rows (about 950 pages) stand in one volume."""


def build(
    evaluation: Evaluation,
    given: Particulars,
    results: pd.DataFrame,
    seals: Sequence[Seal],
    charts: tuple[Sequence[Block], dict[str, bytes]] = ((), {}),
    volumes: int = 0,
) -> Document:
    """Lay out the record.

    `results` is `facts.results(evaluation)`; `seals` are all other files of the set; `charts` are
    blocks and the pictures that they name; `volumes` counts the further volumes that hold the
    results (see `volumes`).
    """
    w = words(given.language)
    front = [*_cover(evaluation, given, w), *_summary(evaluation, w)]
    front += statement(evaluation, given, w)
    back = [
        *account.missing(given, w),
        *account.unresolved(results, w),
        *account.findings(evaluation, w),
        *account.entries(given, w),
        *account.replaced(evaluation, w),
        *account.questions(evaluation, w),
        *account.changes(given, w),
        *account.applications(evaluation, w),
        *account.rest(given, w),
    ]
    drawn, pictures = charts
    if drawn:
        back += [BREAK, heading(w("record.charts")), *drawn]
    back += account.seals(given, seals, w)
    if volumes:
        middle = [resulttable.elsewhere(volumes, w)]
    else:
        middle = resulttable.parts(results, given, w)
    parts = (*parts_of(front), *middle, *parts_of(back))
    return Document("record", meta(given, w, w("record.kind"), cover=True), parts, pictures)


def volumes(results: pd.DataFrame, given: Particulars) -> list[Document]:
    """Lay out the volumes that hold the results of a job too large for one; none if it fits."""
    w = words(given.language)
    if len(results) <= VOLUME_ROWS:
        return []
    parts = resulttable.parts(results, given, w)
    made: list[list[tuple[Block, ...]]] = [[]]
    for part in parts:
        if sum(map(part_rows, made[-1])) >= VOLUME_ROWS:
            made.append([])
        made[-1].append(part)
    return [
        Document(
            f"record-{number}",
            meta(given, w, w("record.volume", number=number, of=len(made) + 1)),
            tuple(batch),
        )
        for number, batch in enumerate(made, start=2)
    ]


def meta(
    given: Particulars, w: Words, title: str, *, flipped: bool = False, cover: bool = False
) -> dict[str, object]:
    """Give what every page of a document carries: heads, feet, language, draft mark."""
    edition = w("common.revision", number=given.revision)
    return {
        "title": printable(f"{given.job} · {title} · {edition}"),
        "author": printable(given.contractor),
        "keywords": [f"job head {given.job_head}"],
        "running": printable(" · ".join(filter(None, (given.job, scope_text(given, w))))),
        "edition": edition,
        "foot": w("common.foot", head=given.job_head[:16]),
        "page": w("common.page"),
        "of": w("common.of"),
        "language": w.language,
        "paper": given.paper,
        "flipped": flipped,
        "cover": cover,
        "draft": w("common.draft") if given.draft else "",
    }


def scope_text(given: Particulars, w: Words) -> str:
    """Say in words what is handed over."""
    kind, name = given.scope
    return w("scope.job") if kind == "job" else f"{w.label('scope', kind)} {name}"


def _cover(evaluation: Evaluation, given: Particulars, w: Words) -> list[Block]:
    counts = facts.job_row(evaluation)
    left = counts["planned"] - counts["accepted"] - counts["waived"]
    lines = [
        (w("record.customer"), given.customer),
        (w("record.site"), given.site),
        (w("record.contractor"), given.contractor),
        (w("record.scope"), scope_text(given, w)),
        (w("record.plan"), w("record.plan_revision", number=evaluation.plan.revision,
                             change=given.plan_change).strip(", ")),
        (w("record.revision"), w("record.replaces", number=given.revision,
                                 previous=given.previous) if given.previous
         else str(given.revision)),
        (w("record.state"), w("common.as_of", when=numbers.moment(given.as_of, w.style))),
        (w("record.limits"), ", ".join(note.title for note in given.limits)),
        (w("record.requirement"), given.requirement),
    ]  # fmt: skip
    figures = [
        (numbers.count(counts["planned"], w.style), w("record.planned"), False),
        (numbers.count(counts["accepted"], w.style), w("record.accepted"), False),
        (numbers.count(counts["failed"], w.style), w("record.failed"), counts["failed"] > 0),
        (numbers.count(left - counts["failed"], w.style), w("record.open"), left > 0),
        (numbers.count(counts["links_ready"], w.style),
         w("record.ready", planned=numbers.count(counts["links_planned"], w.style)), False),
    ]  # fmt: skip
    remark = (
        w("record.not_done", count=numbers.count(left, w.style)) if left else w("record.all_done")
    )
    cover: Block = {
        "is": "cover",
        "kind": w("record.kind"),
        "title": printable(given.job),
        "subtitle": printable(scope_text(given, w)),
        "pairs": [[label, printable(value)] for label, value in lines if value],
        "figures": [{"value": v, "label": label, "alarm": bad} for v, label, bad in figures],
        "remark": remark,
        "signatures": [w(f"record.sign_{who}") for who in ("tested", "checked", "accepted")],
        "sign_here": w("record.sign_here"),
    }
    return [cover, BREAK, {"is": "contents", "title": w("record.contents"), "entries": None}]


def _summary(evaluation: Evaluation, w: Words) -> list[Block]:
    names = (
        "planned", "measured", "accepted", "failed", "doubtful", "no_limit", "blocked", "waived",
    )  # fmt: skip
    columns = [
        Column(w("record.name"), 0),
        *(Column(w("summary." + label), 16.5, "r") for label in names),
        Column(w("record.percent"), 15, "r"),
    ]
    rows: list[Row] = []
    scope = ""
    for one in facts.summary(evaluation).to_dict("records"):
        if one["scope"] != scope:
            scope = one["scope"]
            rows.append(sub(w.label("scope", scope)))
        counts = [numbers.count(one[name], w.style) for name in names]
        row = list(plain(one["name"], *counts, f"{one['percent']} %"))
        if one["failed"]:
            row[5] = toned("fail", counts[3])
        rows.append(row)
    return [heading(w("record.summary")), text(w("record.summary_text")),
            *table(columns, rows, w("common.none"))]  # fmt: skip
