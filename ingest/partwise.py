"""A job evaluated region by region: only those are evaluated anew of which something changed.

What comes out is what `evaluate` gives for the whole (`verify` derives the whole and compares). A
region's place is known only when its records are paired: where one may stand near what another
region holds, the two become one and are paired once more.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from ingest import memory, territory
from ingest.territory import Territory
from rules import columns, pairing, parts, preparation, regions, tables
from rules.columns import Ints
from rules.evaluation import Decisions, Plan, RunSheets
from rules.limit_sets import LimitSet
from rules.pairing import Ground, Lost, Memory
from rules.parts import Part
from rules.settings import Settings

CHUNK = 16_384
"""Links of one region that nothing was measured near."""
LEAST = 25_000
"""Readings of a region: what shares nothing is put together until it has as many, since a part has
a cost of its own that is as large as that of ten thousand readings."""
MOST_TURNS = 4
"""Rounds in which names that the plan lacks may still turn; then all are evaluated as one."""


@dataclass(frozen=True)
class Given:
    """What is kept of a job but its readings, which are loaded dump by dump."""

    mark: str
    """Digest of all that every region rests on, but for the decisions."""
    ground: Ground
    run_sheets: RunSheets
    sets: Mapping[str, LimitSet]
    decided: Decisions
    dumps: Mapping[str, tuple[Any, ...]]
    """What results depend on of each dump that counts, by its hash."""
    sizes: Mapping[str, int]
    """Readings of each of them."""
    carried: Callable[[Collection[str]], pd.DataFrame]
    """Read which meters and sources some dumps hold (`regions.CARRIED`)."""
    load: Callable[[Collection[str]], tuple[pd.DataFrame, Ints]]
    """Read the readings of some dumps: STORED and their row numbers."""
    remembered: Callable[[str], Memory | None]
    """Read what pairing settled of a region before."""

    @property
    def settings(self) -> Settings:
        """Return the settings of the job."""
        return self.ground.settings


@dataclass(frozen=True)
class Made:
    """A region evaluated anew, its `part` already written down by `pack`."""

    packed: Any
    memory: Memory | None


@dataclass(frozen=True)
class Outcome:
    """What changed: regions made and regions gone, and all that is held now."""

    made: Mapping[str, Made]
    gone: tuple[str, ...]
    """Regions that were held before and are made anew or are no more."""
    standing: Ints
    """Cells of theirs of whose links all that is written stands."""
    plan: Plan
    now: Territory
    before: Territory
    whole: bool
    """Whether nothing of an earlier evaluation stands."""
    findings: pd.DataFrame
    questions: pd.DataFrame
    """What is asked once in the whole job."""


Pack = Callable[[Part, pd.DataFrame, Ints], Any]
"""Write down the tables of a part, given its STORED and their row numbers."""


def evaluate(given: Given, before: Territory | None, pack: Pack) -> Outcome:
    """Bring the regions of a job up to date; `before` is what the last evaluation held."""
    digests = _Digests(given)
    if before is None or before.ground != digests.ground:
        before = territory.empty(digests.ground, regions.cells(given.ground))
    return _Work(given, before, digests, pack).done()


class _Digests:
    """What people decided, by what it concerns, so that a change reaches its region alone."""

    def __init__(self, given: Given) -> None:
        self.given = given
        answers, acts = (
            [tuple(row) for row in frame.itertuples(index=False)]
            for frame in (given.decided.answers, given.decided.acts)
        )
        place = tables.ANSWERS
        action, ids = (list(place).index(name) for name in ("action", "reading_ids"))
        self._answers: dict[str, list[Any]] = {}
        wide: list[Any] = []
        for row in answers:
            named = {one.partition(".")[0] for one in json.loads(row[ids] or "[]")}
            for dump in named:
                self._answers.setdefault(dump, []).append(row)
            if row[action] == "alias" or not named:
                wide.append(row)
        number = given.ground.place.number if acts else {}
        subject = list(tables.ACTS).index("subject")
        self._acts: dict[int, list[Any]] = {}
        for row in acts:
            if row[subject] in number:
                self._acts.setdefault(number[row[subject]], []).append(row)
            else:
                wide.append(row)
        kind, argument = (list(tables.ACTS).index(name) for name in ("kind", "argument"))
        noted = any(
            row[kind] == "note" and row[argument] in ("skipped", "blocked")
            for rows in self._acts.values()
            for row in rows
        )
        self.ground = _digest(given.mark, given.ground.digest, wide, noted)

    def of(self, dumps: Iterable[str], sheets: Collection[str], links: Ints) -> str:
        """Return the digest of all that a region depends on beside the ground."""
        held = sorted(dumps)
        said = [self._said.get(sheet, []) for sheet in sorted(sheets)]
        return _digest(
            [(one, self.given.dumps[one], self._answers.get(one[:16], [])) for one in held],
            said,
            self.acts(links),
        )

    def acts(self, links: Ints) -> list[Any]:
        """Return what people said of some links (rows of the plan)."""
        if not self._acts:
            return []
        acted = np.fromiter(self._acts, dtype="int64")
        told = np.sort(acted[np.isin(acted, links)]).tolist()
        return [act for link in told for act in self._acts[link]]

    @cached_property
    def _said(self) -> dict[str, list[Any]]:
        """What each run sheet says, by its id."""
        out: dict[str, list[Any]] = {}
        for frame in (self.given.run_sheets.sheets, self.given.run_sheets.checks):
            for row in frame.itertuples(index=False):
                out.setdefault(str(row.sheet_id), []).append(tuple(row))
        return out


def _digest(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()


class _Work:
    """One evaluation under way: which region holds what so far."""

    def __init__(self, given: Given, before: Territory, digests: _Digests, pack: Pack) -> None:
        self.given, self.before, self.digests, self.pack = given, before, digests, pack
        self.ground, self.now = given.ground, before
        self.made: dict[str, Made] = {}
        self.standing: dict[str, Ints] = {}
        """Cells of regions made anew of which all that is written stands."""
        self.settled: list[tuple[frozenset[str], Memory]] = []
        self.redone = self.wanted = 0
        self.alone = False
        """Whether one region holds everything: a small job is not divided."""

    def done(self) -> Outcome:
        """Evaluate what must be, until nothing touches anything else."""
        given = self.given
        self._all(self._changed())
        turns = 0
        while turned := self._turned(everything=turns >= MOST_TURNS):
            self._all(turned)
            turns += 1
        self._rest()
        findings, questions = parts.of_job(
            [self.now.wide(), parts.of_plan(self.ground.plan, given.decided, given.settings)],
            [self.now.all("lacking")],
            given.decided,
        )
        names = self.now.names()
        gone = (set(self.before.names()) - set(names)) | (set(self.before.names()) & set(self.made))
        none = np.zeros(0, dtype="int64")
        return Outcome(
            made=self.made,
            gone=tuple(sorted(gone)),
            standing=np.concatenate([none, *self.standing.values()]),
            plan=self.ground.plan,
            now=self.now,
            before=self.before,
            whole=not self.before.names(),
            findings=findings,
            questions=questions,
        )

    @cached_property
    def _held(self) -> pd.DataFrame:
        """CARRIED of every dump that counts, with the region that it is of so far."""
        known = self.before.held["dump"]
        known = known.loc[known["dump_sha256"].isin(self.given.dumps)]
        fresh = sorted(set(self.given.dumps) - set(known["dump_sha256"]))
        return pd.concat([known, self.given.carried(fresh).assign(region="")], ignore_index=True)

    @cached_property
    def _sheets(self) -> dict[str, list[str]]:
        """Sheets by the region of `_groups` that they belong to, by its first dump; "" for none."""
        return {}

    def _changed(self) -> list[set[str]]:
        """Return the groups of dumps that are no region yet, or no longer as they were."""
        held, sheets = self._held, self.given.run_sheets.sheets
        ties = regions.of_dumps(held, sheets)
        old = held.loc[held["region"] != ""]
        kept = pd.DataFrame(
            {"one": "dump " + old["dump_sha256"], "other": "region " + old["region"]}
        )
        label = regions.joined(pd.concat([ties, kept], ignore_index=True))
        fresh, stands = [], {}
        for _, things in label.groupby("region", sort=True)["thing"]:
            by = _by_kind(things)
            dumps = set(by.get("dump", ()))
            for sheet in by.get("sheet", ()):
                self._sheets.setdefault(min(dumps, default=""), []).append(sheet)
            names = by.get("region", ())
            if len(names) == 1:
                stands[names[0]] = dumps
            elif dumps:
                fresh.append(dumps)
        self.alone = self._is_small() and len(fresh) + len(stands) <= 1
        digests, cells = self.before.digests(), self.before.cells_of()
        none = np.zeros(0, dtype="int64")
        changed = [
            name
            for name, dumps in stands.items()
            if digests[name]
            != self._digest(dumps, self._sheets_of(dumps), self._links(cells.get(name, none)))
        ]
        fresh += [stands.pop(name) for name in changed]
        groups, taken = self._put_together(fresh, stands)
        self.alone = self._is_small() and len(groups) + len(stands) - len(taken) <= 1
        gone = set(filter(_is_read, self.now.names())) - (set(stands) - taken)
        self.now = self.now.without(gone)
        return groups

    def _is_small(self) -> bool:
        return len(self.now.cells) <= CHUNK

    def _put_together(
        self, fresh: list[set[str]], stands: Mapping[str, set[str]]
    ) -> tuple[list[set[str]], set[str]]:
        """Join small groups, and with them small regions that stand; name those."""
        small = [(group, "") for group in fresh if self._size(group) < LEAST]
        if small:
            small += [(dumps, n) for n, dumps in stands.items() if self._size(dumps) < LEAST]
        out = [group for group in fresh if self._size(group) >= LEAST]
        together, names, taken = set[str](), set[str](), set[str]()
        for group, name in sorted(small, key=lambda one: (one[1] != "", min(one[0]))):
            if name and not together:
                break  # nothing new is left to be put together with it
            together |= group
            names.add(name)
            if self._size(together) >= LEAST:
                out.append(together)
                taken |= names
                together, names = set(), set()
        return out + [together] * bool(together), (taken | names) - {""}

    def _size(self, dumps: Iterable[str]) -> int:
        return sum(self.given.sizes[dump] for dump in dumps)

    def _digest(self, dumps: Collection[str], sheet_ids: list[str], links: Ints) -> str:
        return _digest(self.digests.of(dumps, sheet_ids, links), self.alone)

    def _sheets_of(self, dumps: Collection[str]) -> list[str]:
        """Return the sheets of some dumps, with those of none where all is one region."""
        return sorted(
            sheet
            for first, names in self._sheets.items()
            if first in dumps or (self.alone and not first)
            for sheet in names
        )

    def _links(self, cells: Ints) -> Ints:
        """Return the links (rows of the plan) of some cells."""
        wanted = np.zeros(int(self.now.cells.max(initial=-1)) + 1, dtype="bool")
        wanted[cells] = True
        return np.flatnonzero(wanted[self.now.cells])

    def _all(self, groups: list[set[str]]) -> None:
        """Evaluate groups of dumps; those that come near each other as one."""
        queue = sorted(groups, key=min, reverse=True)
        self.wanted, self.redone = sum(map(len, queue)), 0
        while queue:
            group = queue.pop()
            near = self._one(group)
            if not near:
                continue
            self.redone += len(group)
            merged = set(group)
            for name in near:
                merged |= set(self.now.of("dump", name)["dump_sha256"])
            self._forget(near)
            if self.redone > self.wanted:  # too much hangs together to find it out bit by bit
                merged = merged.union(*queue)
                queue = []
            queue.append(merged)

    def _one(self, group: set[str]) -> list[str]:
        """Evaluate one group; return the regions that it comes near, and then nothing else."""
        given, region = self.given, min(group)
        memory.give_back()
        stored, rows = given.load(sorted(group))
        sheet_ids = self._sheets_of(group)
        sheets = _some_sheets(given.run_sheets, sheet_ids)
        ready = preparation.prepare(stored, sheets, given.decided, given.settings)
        outer = self._outer()
        paired = pairing.pair(
            self.ground.plan, ready.working, ready.runs, given.decided, self.ground.parameters,
            given.settings, self._memory(group), self.ground, outer,
        )  # fmt: skip
        placed = pd.Series(columns.codes(paired.pairs["link_id"])[1], dtype="str")
        named = columns.positions(self.ground.plan.links["link_id"], placed)
        near = np.append(paired.near(self.ground), named[named >= 0])
        cells = columns.distinct(self.now.cells if self.alone else self.now.cells[near])
        owned = self.now.held["cell"]
        met = owned.loc[owned["cell"].isin(cells), "region"].unique().tolist()
        read = [name for name in met if _is_read(name)]
        if read:
            return read
        for name in met:
            self._let_go(name, cells)
        links = self._links(cells)
        part = parts.judge(
            self._plan(links), ready, paired, sheets, given.sets, given.decided, given.settings,
            memory.give_back,
        )  # fmt: skip
        lost = paired.memory.lost if paired.memory else ({}, {})
        digest = self._digest(group, sheet_ids, links)
        held = _held(part, digest, len(stored)) | {
            "dump": self._held.loc[self._held["dump_sha256"].isin(group)],
            "sheet": pd.DataFrame({"sheet_id": sheet_ids}, dtype="str"),
            "cell": pd.DataFrame({"cell": cells}),
            "head": territory.heads(lost, outer),
        }
        self._put(region, part, stored, rows, held, paired.memory)
        return []

    def _plan(self, links: Ints) -> Plan:
        plan = self.ground.plan
        if len(links) == len(plan.links):
            return plan
        return Plan(plan.links.take(links).reset_index(drop=True), plan.revision)

    def _put(
        self, region: str, part: Part, stored: pd.DataFrame, rows: Ints,
        held: Mapping[str, pd.DataFrame], remembered: Memory | None,
    ) -> None:  # fmt: skip
        self.made[region] = Made(self.pack(part, stored, rows), remembered)
        self.now = self.now.without([region]).plus(region, held)
        if remembered is not None:
            self.settled.append((frozenset(held["dump"]["dump_sha256"]), remembered))

    def _forget(self, names: Collection[str]) -> None:
        """Let go of regions that are to be evaluated once more."""
        self.now = self.now.without(names)
        for name in names:
            self.made.pop(name, None)

    def _memory(self, group: set[str]) -> Memory | None:
        """Return what pairing settled of a group's dumps, now or before."""
        found, left = [], set(group)
        for dumps, remembered in reversed(self.settled):
            if dumps <= left:
                found.append(remembered)
                left -= dumps
        known = self.before.held["dump"]
        for name, held in known.groupby("region")["dump_sha256"]:
            if left.intersection(held) and not group.difference(left).intersection(held):
                earlier = self.given.remembered(str(name))
                found += [earlier] if earlier is not None else []
        return pairing.joined(found)

    def _outer(self) -> Lost:
        """Count the names that the plan lacks, over the regions that stand so far."""
        heads = self.now.held["head"]
        out = Counter[str](), Counter[str]()
        for fibres, head, count in heads[["fibres", "head", "count"]].itertuples(index=False):
            out[fibres - 1][head] += count
        return out

    def _turned(self, *, everything: bool) -> list[set[str]]:
        """Return the groups whose unknown names count otherwise than when they were paired.

        With `everything` all that typed any become one group, once one of them turned.
        """
        total, turned = self._outer(), list[str]()
        named: list[str] = self.now.held["head"]["region"].unique().tolist()
        for name in named:
            lost, before = self.now.lost(name)
            one, two = (Counter(a) - Counter(own) for a, own in zip(total, lost, strict=True))
            if pairing.turned(lost, before, (one, two)):
                turned.append(name)
        if turned and everything:
            turned = named
        groups = [set(self.now.of("dump", name)["dump_sha256"]) for name in turned]
        self._forget(turned)
        return [set().union(*groups)] if groups and everything else groups

    def _let_go(self, unread: str, cells: Ints) -> None:
        """Take cells out of a region that nothing was measured near."""
        left = self.now.of("cell", unread)
        left = left.loc[~left["cell"].isin(cells)]
        self.now = self.now.without([unread])
        if len(left):
            self.now = self.now.plus(unread, {"cell": left})

    def _rest(self) -> None:
        """Evaluate what has no readings: links that nothing was measured near, and loose sheets."""
        owned = self.now.held["cell"]["cell"].to_numpy()
        free = np.ones(int(self.now.cells.max(initial=-1)) + 1, dtype="bool")
        free[owned] = False
        of_unread = {
            name: cells for name, cells in self.now.cells_of().items() if not _is_read(name)
        }
        sizes = np.bincount(self.now.cells, minlength=len(free))
        lone = np.flatnonzero(free)
        chunk = np.cumsum(sizes[lone]) // CHUNK
        taken = set(self.before.names())
        for number in columns.distinct(chunk).tolist():
            name = next(
                n for n in map(_unread, range(len(taken) + len(lone) + 1)) if n not in taken
            )
            taken.add(name)
            of_unread[name] = lone[chunk == number]
        for name, cells in of_unread.items():
            self._unread(name, cells, [])
        loose = sorted(self._sheets.get("", []))
        read = any(map(_is_read, self.now.names()))
        self._unread(_LOOSE, np.zeros(0, "int64"), [] if self.alone and read else loose)

    def _unread(self, name: str, cells: Ints, sheet_ids: list[str]) -> None:
        links = self._links(cells)
        digest = self.digests.of([], sheet_ids, links) + _digest(cells.tolist())
        if self.before.digests().get(name) == digest:
            return
        self.now = self.now.without([name])
        if not len(cells) and not sheet_ids:
            return
        given = self.given
        sheets = _some_sheets(given.run_sheets, sheet_ids)
        part = parts.unread(self._plan(links), sheets, given.sets, given.decided, given.settings)
        held = pd.DataFrame({"cell": cells, "told": self._told(cells)})
        before = self.before.of("cell", name)
        # links without readings have nothing to do with each other: what is written of them stands
        stands = held.merge(before, on=["cell", "told"])["cell"].to_numpy()
        self.standing[name] = stands
        self._put(
            name,
            parts.of_links(part, self._names(np.setdiff1d(cells, stands))),
            tables.empty(tables.STORED),
            np.zeros(0, dtype="int64"),
            _held(part, digest, 0)
            | {"sheet": pd.DataFrame({"sheet_id": sheet_ids}, dtype="str"), "cell": held},
            None,
        )

    def _told(self, cells: Ints) -> list[str]:
        """Return the digest of what people said of the links of each cell, empty for nothing."""
        if not self.digests.acts(self._links(cells)):
            return [""] * len(cells)
        told = [self.digests.acts(self._links(cells[[at]])) for at in range(len(cells))]
        return [_digest(acts) if acts else "" for acts in told]

    def _names(self, cells: Ints) -> pd.Series[Any]:
        return self.ground.plan.links["link_id"].take(self._links(cells))


_LOOSE = "sheets without readings"
"""The region of run sheets that no dump belongs to."""


def _unread(number: int) -> str:
    return f"unread {number:04d}"


def _is_read(region: str) -> bool:
    """Tell whether a region holds dumps: it is then called by the first of their hashes."""
    return " " not in region


def _by_kind(things: Iterable[str]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for thing in things:
        kind, _, name = thing.partition(" ")
        out.setdefault(kind, []).append(name)
    return out


def _some_sheets(run_sheets: RunSheets, ids: Collection[str]) -> RunSheets:
    return RunSheets(
        *(
            frame.loc[frame["sheet_id"].isin(ids)].reset_index(drop=True)
            for frame in (run_sheets.sheets, run_sheets.checks)
        )
    )


def _held(part: Part, digest: str, readings: int) -> dict[str, pd.DataFrame]:
    """Return what a part holds for the territory, but for its dumps and cells."""
    return {
        "region": pd.DataFrame(
            {"digest": [digest], "planned": [len(part.planned)], "readings": [readings]}
        ),
        "run": part.runs[["run_id"]],
        "finding": part.findings[["finding_id"]],
        "question": part.questions[["question_id"]],
        "completion": part.completion,
        "wide": part.wide.findings,
        "concerned": part.wide.readings,
        "lacking": part.lacking,
    }
