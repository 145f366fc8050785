"""The limit of each link: which sets apply to it, and the sum spelled out term by term.

limit = length x coefficient + ends + inner connections x allowance + splices x allowance

*Ends* are the connections to the test cords that the reference method leaves inside the
measurement: two with one cord, one with two cords, none with three (IEC 61280-4-1, reference
methods). Under the deduction rule `reference-mating` both ends stay inside and the matings that
the reference itself contained are taken off instead.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from rules import budget, columns, kinds, tables
from rules.columns import Floats, Ints
from rules.fibres import MULTIMODE
from rules.limit_sets import SURE, Allowance, LimitSet, LimitSetError, Sets, load, read_set
from rules.settings import Settings

__all__ = [
    "BUDGET", "LimitSet", "LimitSetError", "Sets", "confirmed_names", "for_links", "load", "names",
    "needs", "read_set",
]  # fmt: skip

BUDGET = "budget"
"""Limit name of a link's own budget from the plan."""

NEEDS: tables.Columns = {
    "link_id": "text", "wavelength_nm": "int", "reference_method": "int", "cord_grade": "text",
}  # fmt: skip
"""What a limit is asked for; each combination once."""

ENDS_INSIDE = {1: 2, 2: 1, 3: 0}
"""Link ends inside the measurement by number of test cords: IEC 61280-4-1, reference methods."""
MATINGS_IN_REFERENCE = {1: 0, 2: 1, 3: 2}
"""Matings of test cords that the reference contained, by number of test cords: same source."""


def names(text: str) -> tuple[str, ...]:
    """Split a plan cell that names one or several limits (by blanks, commas or semicolons)."""
    return tuple(dict.fromkeys(part for part in re.split(r"[\s,;]+", text.strip()) if part))


def confirmed_names(acts: pd.DataFrame, sets: Sets) -> frozenset[str]:
    """Return the sets that somebody confirmed (ACTS of kind `confirm-limit`, subject: the name).

    A confirmation whose `argument` is not the set's present digest is of other values: it is void.
    """
    rows = acts.loc[acts["kind"] == "confirm-limit", ["subject", "argument"]]
    return frozenset(
        name
        for name, digest in rows.itertuples(index=False)
        if name in sets and digest in ("", sets[name].digest)
    )


def needs(
    planned: pd.DataFrame,
    pairs: pd.DataFrame,
    working: pd.DataFrame,
    runs: pd.DataFrame,
    settings: Settings,
) -> pd.DataFrame:
    """List every link, wavelength, method and cord grade (NEEDS) that grading will look up.

    Planned tests enter with the job's own method and grade, paired readings with their run's.
    """
    default = planned[["link_id", "wavelength_nm"]].assign(
        reference_method=settings.cords.reference_method, cord_grade=settings.cords.grade
    )
    paired = pairs.loc[pairs["status"] == "paired", ["reading_id", "link_id", "wavelength_nm"]]
    place = pd.Index(working["reading_id"]).get_indexer(paired["reading_id"])
    run = working["run_id"].take(place).where(place >= 0, "").set_axis(paired.index)
    read = pd.concat([paired[["link_id", "wavelength_nm"]], run], axis=1).drop_duplicates()
    cords = runs[["run_id", "reference_method", "cord_grade"]].drop_duplicates("run_id")
    read = read.merge(cords, on="run_id", how="left")
    every = pd.concat([default, read], ignore_index=True)
    return tables.conform(tables.conform(every, NEEDS).drop_duplicates(), NEEDS)


@dataclass
class _Case:
    """The values of one combination of set, fibre, environment, wavelength, kind, grade."""

    each_db: dict[str, float] = field(default_factory=dict)
    unsure: dict[str, bool] = field(default_factory=dict)
    origin: dict[str, str] = field(default_factory=dict)
    why_not: dict[str, str] = field(default_factory=dict)


TERMS = ("fibre", "ends", "connections", "splices", "reference matings", "splitter")


def for_links(
    links: pd.DataFrame,
    needs: pd.DataFrame,
    sets: Sets,
    settings: Settings,
    confirmed: Collection[str] = (),
) -> pd.DataFrame:
    """Work out the limit (LIMIT_ROWS) of each need under each limit that applies to its link.

    `links` is LINKS, `needs` is NEEDS, `sets` all known sets by name, `confirmed` the names that a
    person confirmed. A need without any limit still gets one row, with `why_not`. Lengths are in
    m, losses in dB; `limit_db` is rounded once, to 0.001 dB.
    """
    wanted = tables.conform(needs, NEEDS).drop_duplicates(ignore_index=True)
    place = pd.Index(links["link_id"]).get_indexer(wanted["link_id"])
    wanted = wanted.loc[place >= 0].reset_index(drop=True)
    of_link = links.drop(columns="link_id").take(place[place >= 0]).reset_index(drop=True)
    rows = pd.concat([wanted, of_link], axis=1)
    summed = rows["kind"].isin(kinds.SUMMED)
    own = _budgets(rows.loc[rows["kind"].isin(kinds.LOSS)])
    named = _named(rows.loc[summed], settings)
    if settings.budget_rule == "instead":
        taken = pd.MultiIndex.from_frame(own[[*NEEDS]])
        named = named.loc[~pd.MultiIndex.from_frame(named[[*NEEDS]]).isin(taken)]
    parts = [_sums(named, sets, settings, confirmed), own]
    parts.append(kinds.windows(rows.loc[~summed], settings))
    out = pd.concat([tables.conform(part, tables.LIMIT_ROWS) for part in parts], ignore_index=True)
    return _unlimited(rows, out).sort_values(
        [*NEEDS, "limit_name"], kind="stable", ignore_index=True
    )


def _named(rows: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Repeat each row once per limit set that its link, or else the job, names."""
    number, texts = columns.codes(rows["limit"])
    split = [names(text) or settings.limits for text in texts]
    counts = np.array([len(s) for s in split], dtype="int64")[number]
    repeated = rows.loc[rows.index.repeat(counts)].reset_index(drop=True)
    flat = np.array([name for s in split for name in s], dtype=object)
    first = np.cumsum([0, *(len(s) for s in split)])[:-1].astype("int64")
    within = columns.occurrence(np.repeat(np.arange(len(rows)), counts))
    repeated["limit_name"] = pd.Series(
        flat[np.repeat(first[number], counts) + within] if len(flat) else [], dtype="str"
    )
    return repeated


def _sums(
    rows: pd.DataFrame, sets: Sets, settings: Settings, confirmed: Collection[str]
) -> pd.DataFrame:
    """Add up the terms of each row (a need with link columns and `limit_name`)."""
    if rows.empty:
        return tables.empty(tables.LIMIT_ROWS)
    case, cases = _cases(rows, sets)
    count, missing = _counts(rows, settings)
    parts: list[budget.Part] = []
    unsure = np.zeros(len(rows), dtype="bool")
    why_not = np.array([c.why_not.get("set", "") for c in cases], dtype=object)[case]
    terms = []
    for name in TERMS:
        values = np.array([c.each_db.get(name, np.nan) for c in cases])
        each = values[case]
        used = count[name] != 0
        parts.append((count[name], each))
        unsure |= used & np.array([c.unsure.get(name, False) for c in cases])[case]
        reasons = np.array([c.why_not.get(name, "") for c in cases], dtype=object)[case]
        lacks = np.where(missing[name] != "", missing[name], np.where(used, reasons, ""))
        why_not = np.where((why_not == "") & (lacks != ""), lacks, why_not)
        origin = [c.origin.get(name, "") for c in cases]
        terms.append((name, count[name], values, origin))
    known = why_not == ""
    edition = [sets[n].edition if n in sets else "" for n in rows["limit_name"].unique()]
    clause = rows["limit_name"].map(dict(zip(rows["limit_name"].unique(), edition, strict=True)))
    return rows.assign(
        limit_db=np.where(known, np.rint(budget.total_db(parts) * 1000) / 1000, np.nan),
        clause=clause,
        limit_confirmed=known & (~unsure | rows["limit_name"].isin(list(confirmed))),
        terms=_spelled(terms, case, known),
        why_not=why_not,
        min_dbm=np.nan,
        max_dbm=np.nan,
    )


def _cases(rows: pd.DataFrame, sets: Sets) -> tuple[Ints, list[_Case]]:
    """Look up the values of each distinct combination once; number the rows by it."""
    keys = ["limit_name", "kind", "fibre_type", "environment", "wavelength_nm", "cord_grade",
            "class"]  # fmt: skip
    grouped = rows.groupby(keys, sort=False)
    number = grouped.ngroup().to_numpy().astype(np.int64)
    found = rows[keys].iloc[np.unique(number, return_index=True)[1]]
    return number, [_case(sets, *values) for values in found.itertuples(index=False)]


def _case(
    sets: Sets, name: str, kind: str, fibre: str, environment: str, nm: int, cords: str, klass: str
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
    fibre_row = known.coefficient(fibre, environment, nm)
    found: dict[str, Any] = {
        "fibre": fibre_row,
        "ends": known.allowance("end", mode, cords),
        "connections": known.allowance("connection", mode, cords),
        "splices": known.allowance("splice", mode, cords),
        "reference matings": known.allowance("reference-mating", mode, cords),
    }
    for term, row in found.items():
        if isinstance(row, str):
            case.why_not[term] = row
            continue
        value = row.db if isinstance(row, Allowance) else row.db_per_km
        case.each_db[term] = float(value)
        case.unsure[term] = row.confidence not in SURE
        case.origin[term] = json.dumps(
            {
                "clause": f"{known.edition}, {row.clause}" if row.clause else known.edition,
                "confidence": row.confidence,
            }
        )[1:-1]
    if kind == "splitter":
        splitter = kinds.splitter(klass)
        if isinstance(splitter, str):
            case.why_not["splitter"] = splitter
        else:
            case.each_db["splitter"], case.unsure["splitter"] = splitter[0], True
            case.origin["splitter"] = json.dumps({"clause": splitter[1], "confidence": "seen"})[
                1:-1
            ]
    return case


def _counts(
    rows: pd.DataFrame, settings: Settings
) -> tuple[dict[str, Floats], dict[str, np.ndarray[Any, np.dtype[np.object_]]]]:
    """Return how often each term enters each row, and why that is not known (else empty)."""
    kind = rows["kind"].to_numpy(dtype=object)
    is_link, is_splitter = kind == "link", kind == "splitter"
    method = rows["reference_method"].to_numpy()
    connections = rows["connections"].to_numpy()
    length = rows["length_m"].to_numpy()
    splices = np.nan_to_num(rows["splices"].to_numpy(), nan=0.0)
    # a splitter on the bench has no cable and no connections unless the plan gives them
    connections = np.where(is_splitter & np.isnan(connections), 0.0, connections)
    length = np.where(is_splitter & np.isnan(length), 0.0, length)
    chain = is_link | is_splitter
    inside = _mapped(method, ENDS_INSIDE)
    matings = np.zeros(len(rows))
    if settings.deduction_rule == "reference-mating":
        matings = np.where(chain, -_mapped(method, MATINGS_IN_REFERENCE), 0.0)
        inside = np.where(np.isnan(inside), np.nan, 2.0)
    ends = np.where(connections > 0, np.minimum(inside, connections), 0.0)
    unknown_method = chain & ~(connections == 0) & np.isnan(inside)
    count = {
        "fibre": np.where(chain, length / 1000, 0.0),
        "ends": np.where(chain, np.nan_to_num(ends), (kind == "cord") * 1.0),
        "connections": np.where(chain, np.maximum(np.nan_to_num(connections) - 2, 0), 0.0),
        "splices": np.where(chain, splices, 0.0),
        "reference matings": np.where(
            chain,
            np.where(connections > 0, np.nan_to_num(matings), 0.0),
            (kind == "cord-check") * 1.0,
        ),
        "splitter": is_splitter * 1.0,
    }
    blank = np.full(len(rows), "", dtype=object)
    missing = dict.fromkeys(TERMS, blank)
    missing["fibre"] = np.select(
        [chain & np.isnan(length), chain & ~(length >= 0)],
        ["the plan gives no length", "the length in the plan is negative"], "",
    ).astype(object)  # fmt: skip
    missing["ends"] = np.select(
        [
            chain & np.isnan(connections),
            chain & ((connections < 0) | (connections != np.rint(connections))),
            unknown_method,
        ],
        [
            "the plan gives no number of connections",
            "the number of connections in the plan is not a whole number",
            "the reference method is unknown",
        ],
        "",
    ).astype(object)
    missing["splices"] = np.where(
        chain & ((splices < 0) | (splices != np.rint(splices))),
        "the number of splices in the plan is not a whole number", "",
    ).astype(object)  # fmt: skip
    return count, missing


def _mapped(method: Ints, values: dict[int, int]) -> Floats:
    return np.select([method == m for m in values], [float(v) for v in values.values()], np.nan)


def _spelled(
    terms: list[tuple[str, Floats, Floats, list[str]]],
    case: Ints,
    known: np.ndarray[Any, np.dtype[np.bool_]],
) -> list[str]:
    """Write the sums as JSON, one text per row; rows without a limit get the empty list."""
    text = np.full(len(case), "", dtype=object)
    for name, count, each, origin in terms:
        # few distinct counts stand behind many rows: each text is written once
        counted, counts = pd.factorize(np.nan_to_num(count))
        number = case * len(counts) + counted
        distinct, back = np.unique(number, return_inverse=True)
        written = np.array(
            [
                _term(name, counts[n % len(counts)], each, origin, n // len(counts))
                for n in distinct
            ],
            dtype=object,
        )
        text = text + written[back]
    sums = np.where(known, text, "")
    return ["[" + one[2:] + "]" for one in sums]


def _term(name: str, count: float, each_db: Floats, origin: list[str], case: int) -> str:
    """Write one term of a case as JSON after a comma; nothing for a term that is not there."""
    if not count:
        return ""
    each = float(each_db[case])
    return (
        f', {{"term": "{name}", "count": {round(count, 6):g}, "each_db": {each:g},'
        f' "db": {round(count * each, 6):g}, {origin[case]}}}'
    )


def _budgets(rows: pd.DataFrame) -> pd.DataFrame:
    """Make the rows of the links' own budgets, one per need whose link has one at its wavelength.

    A budget worked out for another number of test cords than the run used does not apply.
    """
    number, texts = columns.codes(rows["budgets"])
    parsed = [_by_wavelength(text) for text in texts]
    own = np.array(
        [
            parsed[n].get(nm, np.nan)
            for n, nm in zip(number, rows["wavelength_nm"].to_numpy(), strict=True)
        ],
        dtype="float64",
    )
    value = np.where(np.isnan(own), rows["budget_db"].to_numpy(), own)
    rows = rows.loc[~np.isnan(value)]
    value = value[~np.isnan(value)]
    method_text, texts = columns.codes(rows["budget_method"])
    method = np.array([_cords(text) for text in texts], dtype="int64")[method_text]
    other = (method != 0) & (method != rows["reference_method"].to_numpy())
    why_not = np.where(
        other, "the budget holds for another number of test cords than the run used", ""
    )
    plain = [f'[{{"term": "budget", "count": 1, "each_db": {v:g}, "db": {v:g}, '
             f'"clause": "plan", "confidence": "owner"}}]' for v in value]  # fmt: skip
    return rows.assign(
        limit_name=BUDGET,
        limit_db=np.where(other, np.nan, np.rint(value * 1000) / 1000),
        clause="budget of the plan",
        limit_confirmed=True,
        terms=np.where(other, "[]", np.array(plain, dtype=object)),
        why_not=why_not,
        min_dbm=np.nan,
        max_dbm=np.nan,
    )


def _by_wavelength(text: str) -> dict[int, float]:
    return {int(nm): float(db) for nm, db in json.loads(text or "{}").items()}


def _cords(text: str) -> int:
    """Read a number of test cords out of a budget's method ("1", "two cords"); 0: not stated."""
    words = {"one": 1, "two": 2, "three": 3, "1": 1, "2": 2, "3": 3}
    found = {words[w] for w in re.findall(r"one|two|three|[123]", text.lower())}
    return found.pop() if len(found) == 1 else 0


def _unlimited(rows: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """Add a row that says so for each need to which no limit applies at all."""
    have = pd.MultiIndex.from_frame(found[[*NEEDS]])
    bare = rows.loc[~pd.MultiIndex.from_frame(rows[[*NEEDS]]).isin(have)]
    bare = bare.assign(
        limit_name="", terms="[]", why_not="neither the link nor the job names a limit",
        min_dbm=np.nan, max_dbm=np.nan,
    )  # fmt: skip
    return pd.concat([found, tables.conform(bare, tables.LIMIT_ROWS)], ignore_index=True)
