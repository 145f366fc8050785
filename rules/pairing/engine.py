"""The one entry of pairing: answers first, then evidence, then questions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rules import columns, tables
from rules.acts import repairs
from rules.evaluation import Decisions, Plan
from rules.pairing import (
    bindings,
    grid,
    match,
    outcome,
    physics,
    questions,
    readings,
    records,
    settle,
    sites,
)  # fmt: skip
from rules.pairing.bindings import Bindings
from rules.pairing.case import UNBOUND, Case
from rules.pairing.outcome import Outcome
from rules.pairing.parameters import Parameters
from rules.pairing.records import Records
from rules.pairing.sites import Sites
from rules.pairing.weigh import Weighed
from rules.settings import Settings


@dataclass(frozen=True)
class Pairing:
    """PAIRS for every reading that is no reference, and what pairing found and asks."""

    pairs: pd.DataFrame
    questions: pd.DataFrame
    findings: pd.DataFrame


def pair(
    plan: Plan,
    working: pd.DataFrame,
    runs: pd.DataFrame,
    decisions: Decisions,
    parameters: Parameters,
    settings: Settings,
) -> Pairing:
    """Pair every reading of the working table with a planned link, or say why not.

    Each row whose quantity is not `reference` gets exactly one row of PAIRS. The same tables in
    any row order give the same result.
    """
    done = settled(plan, working, decisions, parameters, settings)
    by_reading = readings.spread(working, done.made, done.place, done.bound, done.found, settings)
    asked = questions.make(
        working, done.made, done.place, done.bound, done.found, by_reading, done.explained
    )
    return Pairing(
        readings.as_pairs(by_reading, done.place),
        tables.conform(asked, tables.QUESTIONS),
        readings.notes(working, by_reading),
    )


def weighed(
    plan: Plan, working: pd.DataFrame, decisions: Decisions, parameters: Parameters,
    settings: Settings,
) -> list[Weighed]:  # fmt: skip
    """Return the evidence alone, one value per class of records; `fit` learns from it.

    Sweeps are weighed like any other records, so that all rates and shares count them.
    """
    parameters = replace(parameters, sweeps=False)
    return settled(plan, working, decisions, parameters, settings).explained.classes


@dataclass(frozen=True)
class Settled:
    """The outcome of every record, with all that led to it."""

    place: Sites
    made: Records
    bound: Bindings
    found: Outcome
    explained: questions.Explained


def settled(
    plan: Plan, working: pd.DataFrame, decisions: Decisions, parameters: Parameters,
    settings: Settings,
) -> Settled:  # fmt: skip
    """Settle every record of a working table and keep the evidence of those weighed."""
    place = sites.of_plan(plan.links)
    made = records.of_readings(working)
    bound = bindings.of_answers(decisions.answers)
    found, explained = _settle(plan, working, place, made, bound, decisions, parameters, settings)
    return Settled(place, made, bound, found, explained)


def _named(subjects: pd.Series, place: Sites) -> np.ndarray:
    """Return the links that acts name, each once."""
    links = {place.number.get(subject, -1) for subject in subjects}
    return np.array(sorted(links - {-1}), dtype=np.int64)


def _units(links: np.ndarray, unit_of: np.ndarray) -> np.ndarray:
    units = unit_of[links]
    return np.sort(units[units >= 0])


def _settle(
    plan: Plan, working: pd.DataFrame, place: Sites, made: Records, bound: Bindings,
    decisions: Decisions, parameters: Parameters, settings: Settings,
) -> tuple[Outcome, questions.Explained]:  # fmt: skip
    """Settle records of one fibre and records of two, each over its own grid."""
    acts = decisions.acts
    told = (acts["kind"] == "note") & acts["argument"].isin(("skipped", "blocked"))
    noted = _named(acts.loc[told, "subject"], place)
    again = _named(repairs(acts)["link_id"], place)
    table = made.table
    total = outcome.empty(len(table))
    explained = questions.Explained()
    measured = physics.of_records(working, made.record_of, len(table))
    fixed = _fixed(working, made, place, bound)
    way = _ways(working, made)
    for pairs in (False, True):
        mine = np.flatnonzero((table["two_fibres"] == pairs).to_numpy())
        if not len(mine):
            continue
        layout = grid.of_sites(place, plan.links, pairs=pairs)
        unit_of = layout.unit_of
        bound_unit = np.where(fixed[mine] >= 0, unit_of[fixed[mine].clip(-1)], fixed[mine])
        case = Case(
            table.iloc[mine].reset_index(drop=True),
            measured.take(mine),
            way[mine], layout, plan.links, match.Index(place, pairs), bound, bound_unit,
            _units(noted, unit_of), _units(again, unit_of), parameters, settings,
        )  # fmt: skip
        part, weighed = settle.settle(case, place, pairs=pairs)
        for name in outcome.FIELDS:
            getattr(total, name)[mine] = getattr(part, name)
        if weighed is not None:
            explained.add(mine[weighed.rows], weighed)
    return total, explained


def _fixed(working: pd.DataFrame, made: Records, place: Sites, bound: Bindings) -> np.ndarray:
    """Return the site that answers give each record, -1 outside the plan, UNBOUND without one.

    A record whose readings were placed on different links is no evidence for either.
    """
    fixed = np.full(len(made.table), UNBOUND, dtype=np.int64)
    if not bound.links and not bound.statuses:
        return fixed
    number = place.number
    two = made.table["two_fibres"].to_numpy()
    seen: dict[int, set[int]] = {}
    for reading, record in zip(working["reading_id"], made.record_of.tolist(), strict=True):
        if record < 0:
            continue
        if reading in bound.statuses:
            seen.setdefault(record, set()).add(-1)
        elif bound.links.get(reading, "") in number:
            link = number[bound.links[reading]]
            site = int(place.pair_of[link]) if two[record] else link
            seen.setdefault(record, set()).add(site if site >= 0 else UNBOUND)
    for record, where in seen.items():
        if len(where) == 1:
            fixed[record] = where.pop()
    return fixed


def _ways(working: pd.DataFrame, made: Records) -> np.ndarray:
    """Return a number below `ledger.WAYS` per record: its directions and its lowest window.

    Two records of one link are rivals only where these are equal: some crews take a whole panel at
    one wavelength and then again at the next.
    """
    used = made.record_of >= 0
    record = made.record_of[used]
    number, names = columns.codes(working["direction"])
    direction = number[used]
    way = np.zeros(len(made.table), dtype=np.int64)
    for bit, name in ((1, "a-b"), (2, "b-a")):
        mine = np.isin(names, name)[direction]
        way |= bit * (np.bincount(record[mine], minlength=len(way)) > 0)
    nm = working["wavelength_nm"].to_numpy()[used]
    lowest = np.full(len(way), 9999, dtype=np.int64)
    np.minimum.at(lowest, record, nm)
    return way * 4 + np.digitize(lowest, (1000, 1345, 1400))
