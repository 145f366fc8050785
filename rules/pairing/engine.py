"""The one entry of pairing: answers first, then evidence, then questions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from rules import asking, columns, tables
from rules.acts import repairs
from rules.columns import Ints
from rules.evaluation import Decisions, Plan
from rules.pairing import (
    bindings,
    candidates,
    components,
    digests,
    evidence,
    outcome,
    physics,
    questions,
    readings,
    records,
    remembered,
    settle,
    succession,
)  # fmt: skip
from rules.pairing.bindings import Bindings
from rules.pairing.case import UNBOUND, Case
from rules.pairing.components import Made
from rules.pairing.ground import Ground
from rules.pairing.outcome import Outcome
from rules.pairing.parameters import Parameters
from rules.pairing.records import Records
from rules.pairing.remembered import Remembered
from rules.pairing.sites import Sites
from rules.pairing.weigh import Weighed
from rules.settings import Settings

Lost = tuple[Mapping[str, int], Mapping[str, int]]
"""How often records of one fibre, and of two, typed names of panels that the plan lacks."""
NOBODY: Lost = {}, {}


@dataclass(frozen=True)
class Memory:
    """What a pairing settled, for the next one to take over what still stands."""

    ground: str
    """Digest of the plan and all rates (`digests.ground`); on another ground nothing stands."""
    one: Remembered | None
    two: Remembered | None
    """Of the records of one fibre, and of two; None where there are none."""
    questions: pd.DataFrame
    """QUESTIONS within one run each, with `group`."""

    def of_runs(self, run_ids: Collection[str]) -> Memory:
        """Return what was settled for some runs; they share no component with the others."""
        one, two = (None if p is None else p.of_runs(run_ids) for p in (self.one, self.two))
        of = self.questions["group"].str.split(settle.OF_RUN, n=1).str[0]
        return Memory(self.ground, one, two, self.questions.loc[of.isin(run_ids)])

    @property
    def lost(self) -> Lost:
        """Count the names of panels that the plan lacks, of records of one fibre and of two."""
        one, two = (Counter[str]() if p is None else p.lost for p in (self.one, self.two))
        return one, two


def turned(lost: Lost, before: Lost, now: Lost) -> bool:
    """Tell whether names that a part typed count otherwise with those of others, then and now."""
    return any(
        candidates.often(head, count + was.get(head, 0))
        != candidates.often(head, count + others.get(head, 0))
        for own, was, others in zip(lost, before, now, strict=True)
        for head, count in own.items()
    )


def joined(parts: Sequence[Memory]) -> Memory | None:
    """Put together what was settled of parts of a job on one ground; None without any."""
    if len({part.ground for part in parts}) != 1:
        return None
    if len(parts) == 1:
        return parts[0]
    one, two = (
        remembered.joined([kept for part in parts if (kept := getattr(part, name)) is not None])
        for name in ("one", "two")
    )
    questions = pd.concat([part.questions for part in parts], ignore_index=True)
    return Memory(parts[0].ground, one, two, questions)


@dataclass(frozen=True)
class Pairing:
    """PAIRS for every reading that is no reference, and what pairing found and asks."""

    pairs: pd.DataFrame
    link: Ints
    """The row of the plan that each row of `pairs` is paired with, −1 with none."""
    questions: pd.DataFrame
    findings: pd.DataFrame
    memory: Memory | None
    """None where there was nothing to pair."""

    def near(self, ground: Ground) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return near what records may stand: (run_id, component) and (component, link).

        `link` is a row of the plan, one of each panel.
        """
        runs, links = [_NEAR_RUNS], [_NEAR_LINKS]
        both = (self.memory.one, self.memory.two) if self.memory else ()
        for pairs, kept in enumerate(both):
            if kept is None:
                continue
            name = f"{pairs} " + pd.Series(kept.runs["component"].astype("str"))
            runs.append(pd.DataFrame({"run_id": kept.runs["run_id"], "component": name}))
            name = f"{pairs} " + kept.panels["component"].astype("str")
            grid = ground.grid(pairs=bool(pairs))
            first = grid.link[grid.starts[:-1]][kept.panels["panel"].to_numpy()]
            links.append(pd.DataFrame({"component": name, "link": first}))
        return pd.concat(runs, ignore_index=True), pd.concat(links, ignore_index=True)


_NEAR_RUNS = tables.empty({"run_id": "text", "component": "text"})
_NEAR_LINKS = tables.empty({"component": "text", "link": "int"})


def pair(
    plan: Plan,
    working: pd.DataFrame,
    runs: pd.DataFrame,
    decisions: Decisions,
    parameters: Parameters,
    settings: Settings,
    before: Memory | None = None,
) -> Pairing:
    """Pair every reading of the working table with a planned link, or say why not.

    Each row whose quantity is not `reference` gets exactly one row of PAIRS, in the order of the
    working table; whatever that order, the result is the same, with the memory of any earlier
    pairing or without: only components that changed since `before` are settled anew.
    """
    return pair_on(Ground(plan, parameters, settings), working, decisions, before)


def pair_on(
    ground: Ground, working: pd.DataFrame, decisions: Decisions, before: Memory | None = None,
    outer: Lost = NOBODY,
) -> Pairing:  # fmt: skip
    """Pair as `pair` does, on a ground that is laid out once for part after part of a job.

    Where the working table is a part of the job that no other record comes near, `outer` tells of
    those others (`Memory.lost`).
    """
    done = settled(ground, working, decisions, before, outer)
    by_reading = readings.spread(
        working, done.made, done.place, done.bound, done.answered, done.found, ground.settings
    )
    link = by_reading.paired()
    rows = questions.make(
        working, done.made, done.place, done.bound, done.found, by_reading, done.explained,
        done.asked,
    )  # fmt: skip
    return Pairing(
        readings.as_pairs(by_reading, link, done.place),
        link,
        tables.conform(asking.questions(list(rows.values())), tables.QUESTIONS),
        readings.notes(working, by_reading),
        Memory(done.ground, *done.kept, _within_runs(rows)),
    )


def _within_runs(rows: Mapping[questions.Cause, Mapping[str, Any]]) -> pd.DataFrame:
    """Return the questions that are about one run each, with the group of their records."""
    kept = {cause: row for cause, row in rows.items() if settle.OF_RUN in cause[1]}
    frame = tables.conform(pd.DataFrame(list(kept.values())), tables.QUESTIONS)
    return frame.assign(group=pd.Series([group for _, group in kept], dtype="str"))


def weighed(
    plan: Plan, working: pd.DataFrame, decisions: Decisions, parameters: Parameters,
    settings: Settings,
) -> list[Weighed]:  # fmt: skip
    """Return the evidence alone, one value per class of records; `fit` learns from it.

    Sweeps are weighed like any other records, so that all rates and shares count them.
    """
    parameters = replace(parameters, sweeps=False)
    return settled(Ground(plan, parameters, settings), working, decisions).explained.classes


@dataclass(frozen=True)
class Settled:
    """The outcome of every record, with all that led to it."""

    place: Sites
    made: Records
    bound: Bindings
    answered: np.ndarray
    """Rows of the readings that answers name."""
    found: Outcome
    explained: questions.Explained
    ground: str
    kept: tuple[Remembered | None, Remembered | None]
    asked: dict[questions.Cause, dict[str, Any]]
    """Questions of an earlier pairing that stand as they were."""


def settled(
    ground: Ground, working: pd.DataFrame, decisions: Decisions, before: Memory | None = None,
    outer: Lost = NOBODY,
) -> Settled:  # fmt: skip
    """Settle every record of a working table and keep the evidence of those weighed now."""
    if before is not None and before.ground != ground.digest:
        before = None
    made = records.of_readings(working)
    bound = bindings.of_answers(decisions.answers)
    answered = bindings.concerned(working["reading_id"], bound)
    found, explained, parts = _settle(
        ground, working, made, bound, answered, decisions, before, outer
    )
    kept = tuple(None if part is None else part.kept for part in parts)
    return Settled(
        ground.place, made, bound, answered, found, explained, ground.digest, (kept[0], kept[1]),
        _standing(before, parts),
    )  # fmt: skip


def _standing(
    before: Memory | None, parts: Sequence[Made | None]
) -> dict[questions.Cause, dict[str, Any]]:
    """Return the questions about runs of which nothing was settled anew, in either class."""
    if before is None:
        return {}
    again = set[str]().union(*(part.anew for part in parts if part is not None))
    same = set[str]().union(*(part.untouched for part in parts if part is not None)) - again
    groups = before.questions["group"].to_list()
    rows = before.questions.drop(columns="group").to_dict("records")
    return {
        (str(row["code"]), group): {str(name): value for name, value in row.items()}
        for group, row in zip(groups, rows, strict=True)
        if group.partition(settle.OF_RUN)[0] in same
    }


def _named(subjects: pd.Series, place: Sites) -> np.ndarray:
    """Return the links that acts name, each once."""
    links = {place.number.get(subject, -1) for subject in subjects}
    return np.array(sorted(links - {-1}), dtype=np.int64)


def _units(links: np.ndarray, unit_of: np.ndarray) -> np.ndarray:
    units = unit_of[links]
    return np.sort(units[units >= 0])


def _settle(
    ground: Ground, working: pd.DataFrame, made: Records, bound: Bindings, answered: np.ndarray,
    decisions: Decisions, before: Memory | None, outer: Lost,
) -> tuple[Outcome, questions.Explained, tuple[Made | None, Made | None]]:  # fmt: skip
    """Settle records of one fibre and records of two, each over its own grid."""
    acts, place = decisions.acts, ground.place
    told = (acts["kind"] == "note") & acts["argument"].isin(("skipped", "blocked"))
    noted = _named(acts.loc[told, "subject"], place)
    again = _named(repairs(acts)["link_id"], place)
    table = made.table
    total = outcome.empty(len(table))
    explained = questions.Explained(evidence.empty(len(table)))
    measured = physics.of_records(working, made.record_of, len(table))
    fixed = _fixed(working, made, place, bound, answered)
    way = _ways(working, made)
    digest = digests.placed(digests.of_records(working, made, bound, answered), made)
    parts: list[Made | None] = [None, None]
    for pairs in (False, True):
        mine = np.flatnonzero((table["two_fibres"] == pairs).to_numpy())
        if not len(mine):
            continue
        own = table.iloc[mine].reset_index(drop=True)
        run = pd.factorize(own["run_id"])[0]
        layout = ground.grid(pairs=pairs)
        unit_of = layout.unit_of
        bound_unit = np.where(fixed[mine] >= 0, unit_of[fixed[mine].clip(-1)], fixed[mine])
        case = Case(
            own,
            measured.take(mine),
            way[mine], layout, ground.expected(pairs=pairs),
            ground.index(pairs=pairs), bound, bound_unit,
            _units(noted, unit_of), _units(again, unit_of), ground.parameters, ground.settings,
            succession.previous(own, run), outer[pairs],
        )  # fmt: skip
        kept = None if before is None else before.two if pairs else before.one
        part = components.of_class(
            case, place, digests.of_runs(digest[mine], run), kept, pairs=pairs
        )
        parts[pairs] = part
        for name in outcome.FIELDS:
            getattr(total, name)[mine] = getattr(part.found, name)
        explained.evidence.put(mine, part.evidence)
        if part.weighed is not None:
            explained.add(mine[part.rows[part.weighed.rows]], part.weighed)
    return total, explained, (parts[0], parts[1])


def _fixed(
    working: pd.DataFrame, made: Records, place: Sites, bound: Bindings, answered: np.ndarray
) -> np.ndarray:
    """Return the site that answers give each record, -1 outside the plan, UNBOUND without one.

    A record whose readings were placed on different links is no evidence for either.
    """
    fixed = np.full(len(made.table), UNBOUND, dtype=np.int64)
    if not bound.links and not bound.statuses:
        return fixed
    number = place.number
    two = made.table["two_fibres"].to_numpy()
    seen: dict[int, set[int]] = {}
    ids, records = working["reading_id"].iloc[answered], made.record_of[answered].tolist()
    for reading, record in zip(ids, records, strict=True):
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
