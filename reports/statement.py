"""The statement of the record: method, limits, decision rule, uncertainty, instruments, runs."""

from __future__ import annotations

from reports import numbers
from reports.document import (
    BREAK,
    Block,
    Column,
    Row,
    aside,
    heading,
    pairs,
    plain,
    table,
    text,
    toned,
)  # fmt: skip
from reports.facts import each
from reports.particulars import Particulars
from reports.words import Words
from rules.evaluation import Evaluation


def statement(evaluation: Evaluation, given: Particulars, w: Words) -> list[Block]:
    """Lay out method, limits, decision rule, uncertainty, safety, instruments and runs."""
    settings, runs = given.settings, evaluation.runs
    methods = runs["reference_method"].value_counts().sort_index()
    u = settings.uncertainty
    blocks: list[Block] = [
        BREAK,
        heading(w("record.statement")),
        heading(w("record.method"), 2),
        text(w("record.method_text")),
        *(
            text(w("record.method_runs", method=w.label("method", str(method)), count=int(count)))
            for method, count in methods.items()
        ),
    ]
    codes = sorted({code for text_ in runs["assumed"] for code in text_.replace(",", " ").split()})
    assumed = [w.label("column", code) for code in codes]
    if assumed:
        blocks.append(text(w("record.assumed", what=", ".join(assumed))))
    blocks += [heading(w("record.limits_head"), 2), text(w("record.limits_text")),
               text(w("record.deduction_" + settings.deduction_rule))]  # fmt: skip
    blocks.append(
        pairs(
            (
                note.title,
                "; ".join(
                    filter(
                        None,
                        (
                            note.edition if note.edition != note.title else "",
                            note.clause,
                            w("record.confirmed" if note.confirmed else "record.unconfirmed"),
                        ),
                    )
                ),
            )
            for note in given.limits
        )
    )  # fmt: skip
    guard = numbers.decibel(settings.guard_factor, 2, w.style)
    grades = ", ".join(w.label("grade", grade).lower() for grade in settings.accepted_grades)
    db = [
        numbers.decibel(value, 2, w.style)
        for value in (u.source_drift_db, u.meter_linearity_db, u.mating_single_mode_db,
                      u.mating_multimode_db, u.launch_single_mode_db, u.launch_multimode_db)
    ]  # fmt: skip
    blocks += [
        heading(w("record.decision"), 2),
        text(w("record.rule_" + settings.decision_rule, guard=guard)),
        text(
            w("record.direction_" + settings.direction_rule)
            + " " + w("record.accepted_grades", grades=grades)
        ),
        heading(w("record.uncertainty"), 2),
        text(
            w("record.uncertainty_text", k=f"{settings.coverage_factor:g}", drift=db[0],
              linearity=db[1], sm=db[2], mm=db[3], lsm=db[4], lmm=db[5])
        ),
        heading(w("record.safety"), 2),
        aside(w("record.safety_text")),
    ]  # fmt: skip
    return blocks + _instruments(given, w) + _runs(evaluation, w)


def _instruments(given: Particulars, w: Words) -> list[Block]:
    papers = {paper.serial: paper for paper in given.certificates}
    columns = [
        Column(w("record.instrument"), 0), Column(w("record.role"), 20),
        Column(w("record.serial"), 34), Column(w("record.calibrated"), 24),
        Column(w("record.due"), 24), Column(w("record.certificate"), 44),
    ]  # fmt: skip
    rows: list[Row] = []
    for one in given.settings.instruments:
        paper = papers.get(one.serial)
        proof = w("record.in_set", hash=paper.sha256[:16]) if paper else w("record.no_certificate")
        cells = [one.name, one.kind, one.serial, numbers.date(one.calibrated_on, w.style),
                 numbers.date(one.due, w.style), proof]  # fmt: skip
        row = list(plain(*cells))
        if one.due and one.due < given.as_of[:10]:
            row[5] = toned("fail", w("record.overdue", when=str(row[5])))
        rows.append(row)
    return [heading(w("record.instruments")), *table(columns, rows, w("common.none"))]


def _runs(evaluation: Evaluation, w: Words) -> list[Block]:
    columns = [
        Column(w("record.run"), 37), Column(w("record.meter"), 20), Column(w("record.source"), 20),
        Column(w("record.people"), 0), Column(w("record.reference"), 14),
        Column(w("record.from"), 27), Column(w("record.until"), 27),
        Column(w("record.readings"), 14, "r"),
    ]  # fmt: skip
    runs = evaluation.runs.sort_values(["started_at", "run_id"], kind="stable")
    rows = [
        plain(
            r.run_id, r.meter_serial, r.source_serial, r.people,
            w("record.cords_short", count=r.reference_method) if r.reference_method
            else numbers.ABSENT,
            numbers.moment(r.started_at, w.style), numbers.moment(r.ended_at, w.style),
            numbers.count(r.readings, w.style),
        )
        for r in each(runs)
    ]  # fmt: skip
    return [heading(w("record.runs")), *table(columns, rows, w("common.none"))]
