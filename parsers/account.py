"""Conservation: every non-blank line of a dump is a reading, a fault, ignored or context, once."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import units
from parsers.columns import texts
from parsers.dump import Dump, Extract
from parsers.raw import Fault, Mark, Raw, Rows
from rules import tables

KINDS = ("", "reading", "fault", "ignored", "context")
_READING, _FAULT, _CONTEXT = 1, 2, 4
SMALL = ("clock-unreadable", "slot-unreadable", "column-unknown")
"""Faults that alone cost no reading; another one on the same line is the reason for its loss."""


def build(raw: Raw, readings: pd.DataFrame, faults: list[Fault]) -> pd.DataFrame:
    """Make the account (ACCOUNTS) of what a layout's reader and the shared path found.

    A line with a reading is a reading, even where one of its cells is also a fault. Neighbours of
    the same kind and reason are one span; a record of several lines is a span of its own.
    """
    ledger = _Ledger(raw.size)
    for number, rows in enumerate(raw.rows):
        chosen = readings["row"].to_numpy()[readings["table"].to_numpy() == number]
        gave = np.zeros(len(rows), np.bool_)
        gave[chosen] = True
        ledger.rows(rows, gave)
    # a spoilt row of several lines owns whatever looks like a heading inside it
    for mark in sorted(raw.marks, key=lambda mark: mark.kind == "fault"):
        ledger.span(mark)
    codes: dict[int, str] = {}
    for fault in sorted(faults, key=lambda fault: fault.code in SMALL):
        codes.setdefault(fault.line, fault.code)
    for line, code in codes.items():
        ledger.fault(line, code)
    lines = readings["line"].to_numpy()
    return ledger.accounts(lines[np.diff(lines, prepend=0) > 0])


class _Ledger:
    """The kind, reason and record of every line, from 1."""

    def __init__(self, size: int) -> None:
        self.kind = np.zeros(size + 2, np.int8)
        self.why = np.zeros(size + 2, np.int32)
        self.record = np.zeros(size + 2, np.int64)
        self.reasons = {"": 0}
        self.records = 0

    def rows(self, rows: Rows, gave: NDArray[np.bool_]) -> None:
        """Enter the rows of a table; those of several lines keep their own number."""
        single = rows.first == rows.last
        self.kind[rows.first[single & gave]] = _READING
        for index in np.flatnonzero(~single).tolist():
            span = slice(int(rows.first[index]), int(rows.last[index]) + 1)
            self.records += 1
            self.record[span] = self.records
            self.kind[span] = _READING if gave[index] else _CONTEXT
            self.why[span] = 0 if gave[index] else self.reason("part of a record without reading")

    def span(self, mark: Mark) -> None:
        """Enter what is not part of a row."""
        span = slice(mark.line, mark.end_line + 1)
        self.kind[span] = KINDS.index(mark.kind)
        self.why[span] = self.reason(mark.why)
        self.record[span] = 0

    def fault(self, line: int, code: str) -> None:
        """Enter a fault on a line that gave no reading and is nothing else."""
        partial = self.kind[line] == _CONTEXT and self.record[line] > 0
        if self.kind[line] == 0 or partial:
            self.kind[line], self.why[line] = _FAULT, self.reason(code)

    def reason(self, text: str) -> int:
        """Return the number of a reason."""
        return self.reasons.setdefault(text, len(self.reasons))

    def accounts(self, lines: NDArray[np.int64]) -> pd.DataFrame:
        """Make the table; `lines` are those on which a reading's value stands."""
        kind, why, record = self.kind[1:-1], self.why[1:-1], self.record[1:-1]
        if not len(kind):
            return tables.empty(tables.ACCOUNTS)
        changes = np.flatnonzero(
            (np.diff(kind) != 0) | (np.diff(why) != 0) | (np.diff(record) != 0)
        )
        first = np.concatenate([[0], changes + 1])
        last = np.concatenate([changes, [len(kind) - 1]])
        kinds, whys = kind[first].copy(), why[first].copy()
        # a page head inside a record parts it; the part without a value belongs to the record
        held = np.searchsorted(lines, last + 1, side="right") > np.searchsorted(lines, first + 1)
        bare = (kinds == _READING) & ~held
        kinds[bare], whys[bare] = _CONTEXT, self.reason("part of a record")
        there = kinds > 0
        frame = pd.DataFrame(
            {
                "line": first[there] + 1,
                "end_line": last[there] + 1,
                "kind": texts(KINDS, kinds[there]),
                "why": texts(list(self.reasons), whys[there]),
            }
        )
        return tables.conform(frame, tables.ACCOUNTS)


def check(dump: Dump, extract: Extract) -> tuple[str, ...]:
    """Say in words how `extract` fails to account for `dump`; empty when the balance closes."""
    accounts = extract.accounts.sort_values("line", kind="stable")
    first, last = accounts["line"].to_numpy(), accounts["end_line"].to_numpy()
    blank = units.blank(dump.data, extract.unit, extract.encoding)
    out = []
    if blank is None:
        return (f"the dump has no {extract.unit}s to account for",)
    strange = sorted(set(accounts["kind"]) - set(KINDS[1:]))
    if strange:
        out.append(f"unknown kinds of account: {', '.join(strange)}")
    if ((first < 1) | (last < first) | (last > len(blank))).any():
        out.append(f"a span lies outside lines 1 to {len(blank)}")
        return tuple(out)
    if (first[1:] <= last[:-1]).any():
        twice = int(first[1:][first[1:] <= last[:-1]][0])
        out.append(f"line {twice} is accounted for twice")
    steps = np.zeros(len(blank) + 1, np.int64)
    np.add.at(steps, first - 1, 1)
    np.add.at(steps, last, -1)
    missing = np.flatnonzero((np.cumsum(steps)[:-1] == 0) & ~blank)
    if len(missing):
        out.append(f"{len(missing)} lines are not accounted for, the first is {missing[0] + 1}")
    out += _without(accounts, extract.readings, "reading")
    out += _without(accounts, extract.faults, "fault")
    kind = accounts["kind"].to_numpy()
    inside = np.searchsorted(first, extract.readings["line"].to_numpy(), side="right") - 1
    if len(inside) and ((inside < 0).any() or (kind[inside] != "reading").any()):
        out.append("a reading stands on a line that is not accounted as reading")
    return tuple(out)


def _without(accounts: pd.DataFrame, rows: pd.DataFrame, kind: str) -> list[str]:
    """Name the spans of `kind` in which no row of that kind stands."""
    spans = accounts[accounts["kind"] == kind]
    lines = np.sort(rows["line"].to_numpy(), kind="stable")
    before = np.searchsorted(lines, spans["line"].to_numpy())
    after = np.searchsorted(lines, spans["end_line"].to_numpy(), side="right")
    bare = spans["line"].to_numpy()[after == before]
    return [f"line {bare[0]} is accounted as {kind} and has none"] if len(bare) else []
