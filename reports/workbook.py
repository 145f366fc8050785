"""The workbook: the record's tables as real numbers and dates, to be filtered and reckoned with."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from reports import facts
from reports.particulars import Particulars
from reports.words import Words, words
from rules.evaluation import Evaluation

EPOCH = pd.Timestamp("1899-12-30")
"""Day 0 of a workbook's dates."""

_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True)
class Field:
    """A column: its name in the table, kind (text, db, number, whole, when, day, flag), width."""

    name: str
    kind: str = "text"
    width: float = 12


def build(evaluation: Evaluation, given: Particulars, results: pd.DataFrame) -> bytes:
    """Write the workbook; the same arguments give the same bytes.

    Numbers in dB carry the format of two digits, or of three where two would contradict the grade.
    No text can become a formula: cells are written as text and marked as quoted.
    """
    from xlsxwriter import Workbook

    w = words(given.language)
    out = io.BytesIO()
    book = Workbook(
        out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    )
    stamp = given.as_of[:19] or "1980-01-01T00:00:00"
    book.set_properties(
        {
            "title": f"{given.job} · {w('record.kind')}",
            "author": given.contractor,
            "comments": f"job head {given.job_head}",
            "created": datetime.fromisoformat(stamp),
        }
    )
    style = _Formats(book)
    _about(book, style, evaluation, given, w)
    for name, fields, frame in _sheets(evaluation, results):
        _table(book, style, w, given, name, fields, frame)
    book.close()
    return out.getvalue()


def _sheets(
    evaluation: Evaluation, results: pd.DataFrame
) -> list[tuple[str, Sequence[Field], pd.DataFrame]]:
    runs = evaluation.runs.sort_values(["started_at", "run_id"], kind="stable")
    return [
        ("summary", SUMMARY, facts.summary(evaluation)),
        ("results", RESULTS, results),
        ("readings", READINGS, evaluation.readings),
        ("references", REFERENCES, facts.references(evaluation)),
        ("runs", RUNS, runs),
        ("deviations", DEVIATIONS, evaluation.findings),
        ("history", HISTORY, facts.superseded(evaluation)),
        ("open", OPEN, facts.unresolved(results)),
        ("plan", PLAN, evaluation.plan.links),
    ]


SUMMARY = (
    Field("scope", width=10), Field("name", width=26), Field("planned", "whole"),
    Field("measured", "whole"), Field("accepted", "whole"), Field("failed", "whole"),
    Field("doubtful", "whole"), Field("no_limit", "whole"), Field("blocked", "whole"),
    Field("waived", "whole"), Field("links_planned", "whole"), Field("links_ready", "whole"),
    Field("percent", "whole"),
)  # fmt: skip
RESULTS = (
    Field("row", "whole", 7), Field("link_id", width=20), Field("kind", width=9),
    Field("wavelength_nm", "whole"), Field("direction", width=9), Field("loss_db", "db"),
    Field("power_dbm", "db"), Field("limit_db", "db"), Field("margin_db", "db"),
    Field("uncertainty_db", "db"), Field("p_conform", "number"), Field("state", width=11),
    Field("grade", width=15), Field("marginal", "flag", 9), Field("limit_name", width=22),
    Field("clause", width=14), Field("limit_confirmed", "flag", 10), Field("why", width=28),
    Field("cable", width=12), Field("building", width=16), Field("floor", width=8),
    Field("area", width=14), Field("a_end", width=16), Field("b_end", width=16),
    Field("fibre_type", width=8), Field("length_m", "number"), Field("connections", "whole"),
    Field("splices", "whole"), Field("taken_at", "when", 16), Field("meter_serial", width=13),
    Field("source_serial", width=13), Field("operator", width=14), Field("run_id", width=14),
    Field("dump_name", width=22), Field("line", "whole", 8),
)  # fmt: skip
READINGS = (
    Field("reading_id", width=20), Field("label", width=20), Field("wavelength_nm", "whole"),
    Field("direction", width=9), Field("quantity", width=11), Field("power_dbm", "db"),
    Field("reference_dbm", "db"), Field("loss_db", "db"), Field("state", width=12),
    Field("taken_at", "when", 16), Field("clock", width=20), Field("clock_state", width=10),
    Field("order_basis", width=10), Field("meter_serial", width=13),
    Field("source_serial", width=13), Field("operator", width=14), Field("run_id", width=14),
    Field("dump_name", width=22), Field("line", "whole", 8), Field("duplicate_of", width=20),
)  # fmt: skip
REFERENCES = (
    Field("run_id", width=14), Field("meter_serial", width=13), Field("source_serial", width=13),
    Field("wavelength_nm", "whole"), Field("reference_dbm", "db"), Field("taken_at", "when", 16),
    Field("origin", width=14), Field("readings", "whole", 9),
)  # fmt: skip
RUNS = (
    Field("run_id", width=14), Field("meter_serial", width=13), Field("source_serial", width=13),
    Field("people", width=24), Field("meter_end", width=9), Field("cords", width=14),
    Field("cord_grade", width=11), Field("reference_method", "whole"),
    Field("started_at", "when", 16), Field("ended_at", "when", 16), Field("readings", "whole"),
    Field("assumed", width=24),
)  # fmt: skip
DEVIATIONS = (
    Field("severity", width=9), Field("code", width=24), Field("subject", width=24),
    Field("link_id", width=18), Field("run_id", width=14), Field("message", width=60),
    Field("remedy", width=48),
)  # fmt: skip
HISTORY = (
    Field("link_id", width=20), Field("wavelength_nm", "whole"), Field("direction", width=9),
    Field("loss_db", "db"), Field("limit_db", "db"), Field("margin_db", "db"),
    Field("limit_name", width=22), Field("taken_at", "when", 16), Field("meter_serial", width=13),
    Field("operator", width=14), Field("run_id", width=14), Field("dump_name", width=22),
    Field("line", "whole", 8),
)  # fmt: skip
OPEN = (
    Field("link_id", width=20), Field("a_end", width=16), Field("b_end", width=16),
    Field("wavelength_nm", "whole"), Field("direction", width=9), Field("state", width=11),
    Field("why", width=50),
)  # fmt: skip
PLAN = (
    Field("link_id", width=20), Field("kind", width=9), Field("cable", width=12),
    Field("building", width=16), Field("floor", width=8), Field("area", width=14),
    Field("route", width=12), Field("a_end", width=16), Field("b_end", width=16),
    Field("tube", width=7), Field("strand", width=7), Field("pair", width=7),
    Field("fibre_type", width=8), Field("environment", width=12), Field("length_m", "number"),
    Field("length_source", width=13), Field("connections", "whole"), Field("splices", "whole"),
    Field("wavelengths", width=13), Field("directions", width=10), Field("limit", width=18),
    Field("budget_db", "db"),
)  # fmt: skip


class _Formats:
    """Cell formats of one workbook, each made once."""

    def __init__(self, book: Any) -> None:
        make = book.add_format
        self.head = make(
            {"bold": True, "text_wrap": True, "valign": "bottom", "bottom": 2,
             "bottom_color": "#14454f", "font_color": "#14454f", "bg_color": "#eef3f3"}
        )  # fmt: skip
        self.title = make({"bold": True, "font_size": 18, "font_color": "#14454f"})
        self.label = make({"font_color": "#5d6870", "valign": "top"})
        self.wrap = make({"text_wrap": True, "valign": "top", "quote_prefix": True})
        self.quoted = make({"quote_prefix": True})
        self.by_kind = {
            "db2": make({"num_format": "0.00"}), "db3": make({"num_format": "0.000"}),
            "number": make({"num_format": "0.###"}), "whole": make({"num_format": "0"}),
            "when": make({"num_format": "yyyy-mm-dd hh:mm"}),
        }  # fmt: skip
        self.failed = make({"font_color": "#9b1c1c", "bold": True})


def _about(
    book: Any, style: _Formats, evaluation: Evaluation, given: Particulars, w: Words
) -> None:
    sheet = book.add_worksheet(w("sheet.about"))
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 20)
    sheet.set_column(1, 1, 90)
    sheet.write_string(0, 0, given.job, style.title)
    counts = facts.job_row(evaluation)
    lines = [
        (w("record.customer"), given.customer), (w("record.site"), given.site),
        (w("record.contractor"), given.contractor),
        (w("record.plan"), str(evaluation.plan.revision)),
        (w("record.revision"), str(given.revision)),
        (w("record.state"), w("common.as_of", when=given.as_of)),
        (w("record.job_head"), given.job_head),
        (w("sheet.counts"), w("sheet.counts_text", **counts)),
        (w("record.limits"), "; ".join(
            f"{n.title}, {n.edition}, {n.clause}, "
            + w("record.confirmed" if n.confirmed else "record.unconfirmed")
            for n in given.limits)),
        (w("record.decision"), w("record.rule_" + given.settings.decision_rule,
                                 guard=f"{given.settings.guard_factor:g}")),
        (w("sheet.digits"), w("record.limits_text")),
        (w("record.safety"), w("record.safety_text")),
    ]  # fmt: skip
    if given.draft:
        lines.insert(0, (w("common.draft"), w("sheet.draft_text")))
    for row, (label, value) in enumerate(lines, start=2):
        sheet.write_string(row, 0, label, style.label)
        sheet.write_string(row, 1, value, style.wrap)
    _paper(sheet, given, w)
    row = len(lines) + 4
    heads = ("instrument", "role", "serial", "calibrated", "due")
    sheet.set_column(2, 4, 14)
    for column, head in enumerate(heads):
        sheet.write_string(row, column, w("record." + head), style.head)
    for offset, one in enumerate(given.settings.instruments, start=1):
        cells = (one.name, one.kind, one.serial, one.calibrated_on, one.due)
        for column, cell in enumerate(cells):
            sheet.write_string(row + offset, column, cell, style.quoted)


def _table(
    book: Any, style: _Formats, w: Words, given: Particulars, name: str,
    fields: Sequence[Field], frame: pd.DataFrame,
) -> None:  # fmt: skip
    sheet = book.add_worksheet(w("sheet." + name))
    sheet.set_row(0, 32)
    three = frame["digits"].eq(3).to_numpy() if "digits" in frame.columns else None
    for column, field in enumerate(fields):
        sheet.set_column(column, column, field.width)
        sheet.write_string(0, column, w.label("column", field.name), style.head)
        _cells(sheet, style, column, field, frame[field.name], three)
    sheet.freeze_panes(1, 2)
    if len(frame):
        sheet.autofilter(0, 0, len(frame), len(fields) - 1)
    sheet.repeat_rows(0)
    _paper(sheet, given, w)


def _cells(
    sheet: Any, style: _Formats, column: int, field: Field, values: pd.Series[Any],
    three: np.ndarray[Any, Any] | None,
) -> None:  # fmt: skip
    if field.kind == "text":
        for row, text in enumerate(values.tolist(), start=1):
            if text:
                sheet.write_string(row, column, text, style.quoted if text[0] in _RISKY else None)
    elif field.kind == "flag":
        for row, value in enumerate(values.tolist(), start=1):
            sheet.write_boolean(row, column, bool(value))
    elif field.kind == "when":
        local = pd.to_datetime(values.str[:19], errors="coerce", format="ISO8601")
        days = ((local - EPOCH) / pd.Timedelta(days=1)).round(8).tolist()
        for row, (day, text) in enumerate(zip(days, values.tolist(), strict=True), start=1):
            if day == day:
                sheet.write_number(row, column, day, style.by_kind["when"])
            elif text:
                sheet.write_string(row, column, text, style.quoted)
    else:
        two = style.by_kind["db2"] if field.kind == "db" else style.by_kind[field.kind]
        wide = style.by_kind["db3"] if field.kind == "db" else two
        numbers = values.astype("float64").round(6 if field.kind == "number" else 3) + 0.0
        marks = three if three is not None else np.zeros(len(numbers), dtype=bool)
        for row, (value, mark) in enumerate(zip(numbers.tolist(), marks, strict=True), start=1):
            if value == value:
                sheet.write_number(row, column, value, wide if mark else two)


def _paper(sheet: Any, given: Particulars, w: Words) -> None:
    sheet.set_landscape()
    sheet.set_paper(1 if given.paper == "us-letter" else 9)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(0.4, 0.4, 0.6, 0.6)
    draft = f" · {w('common.draft')}" if given.draft else ""
    # an ampersand begins a code in a workbook's footer
    job = given.job.replace("&", "&&")
    edition = w("common.revision", number=given.revision)
    sheet.set_footer(f"&L{job} · {edition}{draft}&R&P / &N")
