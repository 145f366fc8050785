"""Conservation: every non-blank line of a dump is a reading, a fault, ignored or context, once."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import text
from parsers.dump import Dump, Extract
from parsers.raw import Fault, Mark
from rules import tables

KINDS = ("reading", "fault", "ignored", "context")


def build(readings: pd.DataFrame, faults: list[Fault], marks: list[Mark]) -> pd.DataFrame:
    """Make the account (ACCOUNTS) from readings (with `end_line`), faults and other spans.

    A line with a reading is a reading, even where one of its cells is also a fault. Neighbouring
    single lines of the same kind and reason become one span.
    """
    spans = readings[["line", "end_line"]].drop_duplicates("line")
    taken = set(spans["line"].tolist()) if len(faults) else set()
    taken |= {mark.line for mark in marks}
    other = {f.line: Mark(f.line, f.line, "fault", f.code) for f in faults if f.line not in taken}
    listed = [*marks, *other.values()]
    frame = pd.DataFrame(
        {
            "line": np.concatenate([spans["line"], [m.line for m in listed]]).astype(np.int64),
            "end_line": np.concatenate([spans["end_line"], [m.end_line for m in listed]]).astype(
                np.int64
            ),
            "kind": ["reading"] * len(spans) + [m.kind for m in listed],
            "why": [""] * len(spans) + [m.why for m in listed],
        }
    ).sort_values("line", kind="stable", ignore_index=True)
    return tables.conform(_merged(frame), tables.ACCOUNTS)


def _merged(frame: pd.DataFrame) -> pd.DataFrame:
    if frame.empty:
        return frame
    first, last = frame["line"].to_numpy(), frame["end_line"].to_numpy()
    kind = pd.factorize(frame["kind"] + "\x1f" + frame["why"])[0]
    single = first == last
    joins = (first[1:] == last[:-1] + 1) & (kind[1:] == kind[:-1]) & single[1:] & single[:-1]
    starts = np.flatnonzero(np.concatenate([[True], ~joins]))
    stops = np.concatenate([starts[1:] - 1, [len(frame) - 1]])
    out = frame.iloc[starts].copy()
    out["end_line"] = last[stops]
    return out.reset_index(drop=True)


def check(dump: Dump, extract: Extract) -> tuple[str, ...]:
    """Say in words how `extract` fails to account for `dump`; empty when the balance closes."""
    accounts = extract.accounts.sort_values("line", kind="stable")
    first, last = accounts["line"].to_numpy(), accounts["end_line"].to_numpy()
    blank = _blank(dump.data)
    out = []
    strange = sorted(set(accounts["kind"]) - set(KINDS))
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
    lines = np.unique(rows["line"].to_numpy())
    before = np.searchsorted(lines, spans["line"].to_numpy())
    after = np.searchsorted(lines, spans["end_line"].to_numpy(), side="right")
    bare = spans["line"].to_numpy()[after == before]
    return [f"line {bare[0]} is accounted as {kind} and has none"] if len(bare) else []


def _blank(data: bytes) -> NDArray[np.bool_]:
    """Tell for each physical line of `data` whether it is blank, independently of any parser."""
    mark, encoding = text.marked(data, "")
    body = data[mark:]
    if encoding.startswith("utf-16"):
        body = body.decode(encoding, "replace").encode("utf-8", "replace")
    body = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    starts, ends = text.line_ends(body)
    return text.blank_lines(body, starts, ends)
