"""The limit as a sum, spelled out term by term.

limit = length x coefficient + ends + inner connections x allowance + splices x allowance

*Ends* are the connections to the test cords that the reference method leaves inside the
measurement: two with one cord, one with two cords, none with three (IEC 61280-4-1, reference
methods). Under the deduction rule `reference-mating` both ends stay inside and the matings that
the reference itself contained are taken off instead.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from rules import budget, columns, kinds, tables
from rules.columns import Flags, Floats, Ints
from rules.fibres import MULTIMODE
from rules.limit_sets import SURE, Allowance, Sets
from rules.settings import Settings

TERMS = ("fibre", "ends", "connections", "splices", "reference matings", "splitter")

BLOCK = 50_000
"""Rows whose sums are written at once."""

ENDS_INSIDE = {1: 2.0, 2: 1.0, 3: 0.0}
"""Link ends inside the measurement by number of test cords: IEC 61280-4-1, reference methods."""
MATINGS_IN_REFERENCE = {1: 0.0, 2: 1.0, 3: 2.0}
"""Matings of test cords that the reference contained, by number of test cords: same source."""


@dataclass(frozen=True)
class _Case:
    """The values of one combination of set, fibre, environment, wavelength, kind, grade."""

    each_db: dict[str, float] = field(default_factory=dict)
    unsure: dict[str, bool] = field(default_factory=dict)
    origin: dict[str, str] = field(default_factory=dict)
    """The rest of a term as JSON: clause and confidence."""
    why_not: dict[str, str] = field(default_factory=dict)


def add_up(
    rows: pd.DataFrame, sets: Sets, settings: Settings, confirmed: Collection[str]
) -> pd.DataFrame:
    """Add the columns of LIMIT_ROWS to rows (a need with its link's columns and `limit_name`).

    `limit_db` is NaN with `why_not` where a value is missing that the link needs; a value that is
    not needed (no splices, no end inside) is not missed.
    """
    if rows.empty:
        return tables.empty(tables.LIMIT_ROWS)
    case, cases = _cases(rows, sets)
    count, missing = _counts(rows, settings)
    unsure = np.zeros(len(rows), dtype="bool")
    reasons = ["", *_REASONS, *sorted({text for c in cases for text in c.why_not.values()})]
    of_reason = {text: place for place, text in enumerate(reasons)}

    def unknown(name: str) -> Ints:
        """Return the place of the reason for which a term has no value, by row; 0 without one."""
        return np.array([of_reason[c.why_not.get(name, "")] for c in cases], "int16")[case]

    why_not = unknown("set")
    parts: list[budget.Part] = []
    for name in TERMS:
        used = count[name] != 0
        each = np.array([c.each_db.get(name, np.nan) for c in cases])
        parts.append((count[name], each[case]))
        unsure |= used & np.array([c.unsure.get(name, False) for c in cases])[case]
        reason = unknown(name)
        if name in missing:
            reason = np.where(missing[name] > 0, missing[name], reason)
            used = used | (missing[name] > 0)
        why_not = np.where((why_not == 0) & used, reason, why_not)
    known = why_not == 0
    number, names = columns.codes(rows["limit_name"])
    editions = [sets[n].edition if n in sets else "" for n in names]
    sure = np.array([n in confirmed for n in names], dtype="bool")[number]
    return rows.assign(
        limit_db=np.where(known, np.rint(budget.total_db(parts) * 1000) / 1000, np.nan),
        clause=columns.few(editions, number, rows.index),
        limit_confirmed=known & (~unsure | sure),
        terms=_spelled(count, cases, case, known),
        why_not=columns.few(reasons, why_not, rows.index),
        min_dbm=np.nan,
        max_dbm=np.nan,
    )


def _cases(rows: pd.DataFrame, sets: Sets) -> tuple[Ints, list[_Case]]:
    """Look up the values of each distinct combination once; number the rows by it."""
    keys = ["limit_name", "kind", "fibre_type", "environment", "cord_grade", "class"]
    number = columns.combined(
        rows["wavelength_nm"].to_numpy(), *(columns.numbers(rows[key]) for key in keys)
    )
    first = np.zeros(int(number.max()) + 1, dtype="int64")
    first[number] = np.arange(len(rows))
    found = rows[[*keys, "wavelength_nm"]].take(first)
    return number, [_case(sets, *values) for values in found.itertuples(index=False)]


def _case(
    sets: Sets, name: str, kind: str, fibre: str, environment: str, cords: str, klass: str, nm: int
) -> _Case:
    case = _Case()
    known = sets.get(name)
    if known is None:
        case.why_not["set"] = f"the limit set {name} is not known to this job"
        return case
    if known.use != "limit":
        case.why_not["set"] = f"{known.edition}: design values, not limits"
        return case
    mode = "multimode" if fibre in MULTIMODE else "single-mode"
    found: dict[str, Any] = {
        "fibre": known.coefficient(fibre, environment, nm),
        "ends": known.allowance("end", mode, cords),
        "connections": known.allowance("connection", mode, cords),
        "splices": known.allowance("splice", mode, cords),
        "reference matings": known.allowance("reference-mating", mode, cords),
    }
    for term, row in found.items():
        if isinstance(row, str):
            case.why_not[term] = row
            continue
        clause = f"{known.edition}, {row.clause}" if row.clause else known.edition
        case.each_db[term] = float(row.db if isinstance(row, Allowance) else row.db_per_km)
        case.unsure[term] = row.confidence not in SURE
        case.origin[term] = _origin(clause, row.confidence)
    if kind == "splitter":
        splitter = kinds.splitter(klass)
        if isinstance(splitter, str):
            case.why_not["splitter"] = splitter
        else:
            # a planning value, no limit of a standard: somebody must stand behind it
            case.each_db["splitter"], case.unsure["splitter"] = splitter[0], True
            case.origin["splitter"] = _origin(splitter[1], "seen")
    return case


def _origin(clause: str, confidence: str) -> str:
    return json.dumps({"clause": clause, "confidence": confidence})[1:-1]


NO_LENGTH = "the plan gives no length"
NEGATIVE_LENGTH = "the length in the plan is negative"
NO_CONNECTIONS = "the plan gives no number of connections"
ODD_CONNECTIONS = "the number of connections in the plan is no whole number"
NO_METHOD = "the reference method is unknown"
ODD_SPLICES = "the number of splices in the plan is no whole number"
_REASONS = (NO_LENGTH, NEGATIVE_LENGTH, NO_CONNECTIONS, ODD_CONNECTIONS, NO_METHOD, ODD_SPLICES)
"""Why it is not known how often a term enters a sum."""


def _counts(rows: pd.DataFrame, settings: Settings) -> tuple[dict[str, Floats], dict[str, Ints]]:
    """Return how often each term enters each row, and why not: place in `_REASONS` from 1."""
    number, names = columns.codes(rows["kind"])

    def is_(kind: str) -> Flags:
        flags: Flags = np.array([name == kind for name in names], dtype="bool")[number]
        return flags

    bench = is_("splitter")
    chain = is_("link") | bench
    method = rows["reference_method"].to_numpy()
    connections, length = rows["connections"].to_numpy(), rows["length_m"].to_numpy()
    splices = np.nan_to_num(rows["splices"].to_numpy())
    # a splitter on the bench has no cable and no connections unless the plan gives them
    connections = np.where(bench & np.isnan(connections), 0.0, connections)
    length = np.where(bench & np.isnan(length), 0.0, length)
    inside, matings = _mapped(method, ENDS_INSIDE), np.zeros(len(rows))
    if settings.deduction_rule == "reference-mating":
        matings = -_mapped(method, MATINGS_IN_REFERENCE)
        inside = np.where(np.isnan(inside), np.nan, 2.0)
    has = connections > 0
    count = {
        "fibre": np.where(chain, length / 1000, 0.0),
        "ends": np.where(chain & has, np.fmin(inside, connections), 0.0) + is_("cord"),
        "connections": np.where(chain & has, np.maximum(connections - 2, 0), 0.0),
        "splices": np.where(chain, splices, 0.0),
        "reference matings": np.where(chain & has, matings, 0.0) + is_("cord-check"),
        "splitter": bench * 1.0,
    }
    missing = {
        "fibre": _first(
            (chain & np.isnan(length), NO_LENGTH), (chain & (length < 0), NEGATIVE_LENGTH)
        ),
        "ends": _first(
            (chain & np.isnan(connections), NO_CONNECTIONS),
            (chain & _odd(connections), ODD_CONNECTIONS),
            (chain & has & np.isnan(inside), NO_METHOD),
        ),
        "splices": _first((chain & _odd(splices), ODD_SPLICES)),
    }
    return {name: np.nan_to_num(times) for name, times in count.items()}, missing


def _odd(count: Floats) -> Flags:
    return np.asarray((count < 0) | (count != np.rint(count)), np.bool_)


def _first(*reasons: tuple[Flags, str]) -> Ints:
    """Return for each row the first reason whose condition holds, as place in `_REASONS` from 1."""
    flags, texts = zip(*reasons, strict=True)
    return np.select(flags, [np.int16(1 + _REASONS.index(text)) for text in texts], np.int16(0))


def _mapped(method: Ints, values: dict[int, float]) -> Floats:
    return np.select([method == m for m in values], list(values.values()), np.nan)


def _spelled(count: dict[str, Floats], cases: list[_Case], case: Ints, known: Flags) -> pd.Series:
    """Write the sums as JSON, one text per row; rows without a limit get the empty list.

    Equal sums are written once. Done in blocks: each step of joining long texts makes all of them
    anew.
    """
    steps = (pd.factorize(times)[0] for times in count.values())
    number = columns.combined(known.astype("int64"), case, *steps)
    first = np.zeros(int(number.max(initial=-1)) + 1, dtype="int64")
    first[number] = np.arange(len(number))
    written = [
        _joined({name: times[rows] for name, times in count.items()}, cases, case[rows],
                known[rows])
        for rows in np.split(first, range(BLOCK, len(first), BLOCK))
    ]  # fmt: skip
    return columns.few(pd.concat(written, ignore_index=True).array, number)


def _joined(count: dict[str, Floats], cases: list[_Case], case: Ints, known: Flags) -> pd.Series:
    """Join the terms of each row."""
    text: pd.Series = pd.Series("", index=pd.RangeIndex(len(case)), dtype="str")
    some = np.zeros(len(case), dtype="bool")
    for name, times in count.items():
        used = (times != 0) & known
        if not used.any():
            continue
        # few distinct counts stand behind many rows: each text is written once
        step, counts = pd.factorize(times)
        distinct, back = np.unique(case * len(counts) + step, return_inverse=True)
        written = [
            _term(name, float(counts[n % len(counts)]), cases[n // len(counts)]) for n in distinct
        ]
        terms = pd.Series(
            pd.array([*written, ""], dtype="str").take(np.where(used, back, len(written)))
        )
        comma = pd.Series(pd.array(("", ", "), dtype="str").take((some & used) * 1))
        text, some = text + comma + terms, some | used
    return "[" + text + "]"


def _term(name: str, count: float, case: _Case) -> str:
    """Write one term as JSON; nothing for a term without a value or that is not there."""
    each = case.each_db.get(name)
    if not count or each is None:
        return ""
    return (
        f'{{"term": "{name}", "count": {round(count, 6):g}, "each_db": {each:g},'
        f' "db": {round(count * each, 6):g}, {case.origin[name]}}}'
    )
