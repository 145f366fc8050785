"""The limit of each link, under each limit that applies to it.

A limit is the sum of `rules.limit_sums` over the values of a named set, the link's own budget, or
the form of another kind of test (`rules.kinds`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from typing import Any

import numpy as np
import pandas as pd

from rules import columns, kinds, limit_sums, tables
from rules.columns import Floats
from rules.limit_sets import LimitSet, LimitSetError, Sets, load, read_set
from rules.settings import Settings

__all__ = [
    "BUDGET", "NEEDS", "LimitSet", "LimitSetError", "Sets", "confirmed_names", "for_links", "load",
    "names", "needs", "read_set",
]  # fmt: skip

BUDGET = "budget"
"""Limit name of a link's own budget from the plan."""

NEEDS: tables.Columns = {
    "link_id": "few", "wavelength_nm": "int", "reference_method": "int", "cord_grade": "text",
}  # fmt: skip
"""What a limit is asked for; each combination once."""

OF_LINK = (
    "kind", "fibre_type", "environment", "length_m", "connections", "splices", "limit",
    "budget_db", "budgets", "budget_method", "class", "min_dbm", "max_dbm", "pair_position",
)  # fmt: skip
"""Columns of LINKS that a limit depends on."""


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

    Paired readings enter with their run's method and grade, planned tests without any reading with
    the job's own. In the order of link, wavelength, method and grade.
    """
    paired = np.flatnonzero((pairs["status"] == "paired").to_numpy())
    (read, asked), links = columns.common_codes(pairs["link_id"], planned["link_id"])
    nm = np.append(pairs["wavelength_nm"].to_numpy(), planned["wavelength_nm"].to_numpy())
    wavelengths, nm = columns.distinct(nm), columns.ranked(nm)
    read = (read * len(wavelengths) + nm[: len(pairs)])[paired]
    asked = asked * len(wavelengths) + nm[len(pairs) :]
    unread = np.ones(len(links) * len(wavelengths), dtype="bool")
    unread[read] = False
    asked = asked[unread[asked]]

    cords = pd.concat(
        [
            runs[["reference_method", "cord_grade"]],
            pd.DataFrame([(settings.cords.reference_method, settings.cords.grade)],
                         columns=["reference_method", "cord_grade"]),
        ],
        ignore_index=True,
    )  # fmt: skip
    grade = columns.numbers(cords["cord_grade"], sort=True)
    case = columns.combined(cords["reference_method"].to_numpy(dtype="int64"), grade)
    distinct = cords.take(columns.firsts(case, int(case.max()) + 1))
    run, run_ids = columns.codes(working["run_id"])
    of_run = case[pd.Index(runs["run_id"]).get_indexer(pd.Index(run_ids, dtype="str"))]
    of_read = of_run[:1]
    if len(columns.distinct(of_run)) > 1:
        at = columns.positions(working["reading_id"], pairs["reading_id"])
        of_read = of_run[run[at[paired]]]
    key = columns.distinct(
        np.append(read * len(distinct) + of_read, asked * len(distinct) + case[-1])
    )
    lane, case = np.divmod(key, len(distinct))
    link, nm = np.divmod(lane, len(wavelengths))
    return pd.DataFrame(
        {
            "link_id": columns.few(links, link),
            "wavelength_nm": wavelengths[nm],
            "reference_method": distinct["reference_method"].to_numpy()[case],
            "cord_grade": distinct["cord_grade"].array.take(case),
        }
    )


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
    m, losses in dB; `limit_db` is rounded once, to 0.001 dB. Rows come in the order of the needs.
    """
    rows = _by_light(_joined(links, tables.conform(needs, NEEDS)))
    summed = rows["kind"].isin(kinds.SUMMED)
    named = _named(rows.loc[summed], settings)
    own = _budgets(rows.loc[rows["kind"].isin(kinds.LOSS)])
    if settings.budget_rule == "instead":
        budgeted = np.zeros(len(rows), dtype="bool")
        budgeted[own["need"]] = True
        named = named.loc[~budgeted[named["need"]]]
    parts = [
        limit_sums.add_up(named, sets, settings, confirmed),
        own,
        kinds.windows(rows.loc[~summed]),
    ]
    made = [tables.conform(part, LIMIT) for part in parts if len(part)] or [tables.empty(LIMIT)]
    found = made[0] if len(made) == 1 else pd.concat(made)
    have = np.zeros(len(rows), dtype="bool")
    have[found["need"]] = True
    bare = rows.loc[~have].assign(
        limit_name="", terms="[]", why_not="neither the link nor the job names a limit",
        min_dbm=np.nan, max_dbm=np.nan,
    )  # fmt: skip
    if len(bare):
        found = pd.concat([found, tables.conform(bare, LIMIT)])
    name = columns.numbers(found["limit_name"], sort=True)
    order = np.lexsort((name, found["need"].to_numpy()))
    # one limit a need is in order already: no copy of all those sums
    ordered = bool((np.diff(order) == 1).all())
    return tables.conform(found if ordered else found.take(order), tables.LIMIT_ROWS)


LIMIT: tables.Columns = dict(tables.LIMIT_ROWS) | {"need": "int"}
"""LIMIT_ROWS with the place of the need it answers."""


def _joined(links: pd.DataFrame, needs: pd.DataFrame) -> pd.DataFrame:
    """Put the columns of its link beside each need, in the order of link, wavelength and cords."""
    (wanted, have), _ = columns.common_codes(needs["link_id"], links["link_id"])
    row = np.full(int(max(wanted.max(initial=-1), have.max(initial=-1))) + 1, -1)
    row[have] = np.arange(len(links))
    order = np.lexsort(
        (
            columns.numbers(needs["cord_grade"], sort=True),
            needs["reference_method"].to_numpy(),
            needs["wavelength_nm"].to_numpy(),
            wanted,
        )
    )
    order = order[row[wanted[order]] >= 0]
    of_link = links[[*OF_LINK]].take(row[wanted[order]]).reset_index(drop=True)
    rows = pd.concat([needs.take(order).reset_index(drop=True), of_link], axis=1)
    return rows.assign(need=np.arange(len(rows)))


def _by_light(rows: pd.DataFrame) -> pd.DataFrame:
    """Ask once per link where no wavelength, method or cord matters."""
    light = rows["kind"].isin(kinds.LIGHT)
    if not light.any():
        return rows
    rows = rows.assign(
        wavelength_nm=rows["wavelength_nm"].mask(light, 0),
        reference_method=rows["reference_method"].mask(light, 0),
        cord_grade=rows["cord_grade"].mask(light, ""),
    ).drop_duplicates([*NEEDS], ignore_index=True)
    return rows.assign(need=np.arange(len(rows)))


def _named(rows: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Repeat each row once per limit set that its link, or else the job, names."""
    number, texts = columns.codes(rows["limit"])
    split = [names(text) or settings.limits for text in texts]
    known = list(dict.fromkeys(name for part in split for name in part))
    row, name = columns.unfold(number, [[known.index(name) for name in part] for part in split])
    repeated = rows if len(row) == len(rows) else rows.take(row)
    return repeated.reset_index(drop=True).assign(
        limit_name=columns.few(known, name.astype("int64"))
    )


def _budgets(rows: pd.DataFrame) -> pd.DataFrame:
    """Make the rows of the links' own budgets, one per need whose link has one at its wavelength.

    A budget worked out for another number of test cords than the run used does not apply.
    """
    value = _budget_values(rows)
    rows, value = rows.loc[~np.isnan(value)], value[~np.isnan(value)]
    stated, texts = columns.codes(rows["budget_method"])
    method = np.array([_cords(text) for text in texts], dtype="int64")[stated]
    other = (method != 0) & (method != rows["reference_method"].to_numpy())
    plain = [
        f'[{{"term": "budget", "count": 1, "each_db": {v:g}, "db": {v:g}, '
        '"clause": "plan", "confidence": "owner"}]'
        for v in value
    ]
    return rows.assign(
        limit_name=BUDGET,
        limit_db=np.where(other, np.nan, np.rint(value * 1000) / 1000),
        clause="budget of the plan",
        limit_confirmed=~other,
        terms=np.where(other, "[]", np.array(plain, dtype=object)),
        why_not=np.where(
            other, "the budget holds for another number of test cords than the run used", ""
        ),
        min_dbm=np.nan,
        max_dbm=np.nan,
    )


def _budget_values(rows: pd.DataFrame) -> Floats:
    """Return the budget of each row in dB: the one of its wavelength, else the general one."""
    general = rows["budget_db"].to_numpy()
    number, texts = columns.codes(rows["budgets"])
    by_nm: list[dict[str, Any]] = [json.loads(text or "{}") for text in texts]
    if not any(by_nm):
        return general
    own = [
        by_nm[n].get(str(nm), np.nan) for n, nm in zip(number, rows["wavelength_nm"], strict=True)
    ]
    values: Floats = np.array(own, dtype="float64")
    return np.where(np.isnan(values), general, values)


def _cords(text: str) -> int:
    """Read a number of test cords out of a budget's method ("1", "two cords"); 0: not stated."""
    words = {"one": 1, "two": 2, "three": 3, "1": 1, "2": 2, "3": 3}
    found = {words[w] for w in re.findall(r"one|two|three|[123]", text.lower())}
    return found.pop() if len(found) == 1 else 0
