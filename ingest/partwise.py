"""A job evaluated region by region: only those are evaluated anew of which something changed.

What comes out is what `evaluate` gives for the whole (`verify` derives the whole and compares).
Regions that changed are evaluated together, as one part or as few as memory wants, and told apart
afterwards (`rules.division`). Where records stand is known only once they are paired: what they
come near that another region holds is then evaluated with them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from ingest import memory, territory
from ingest.decided import Digests, digest_of
from ingest.territory import Territory
from rules import columns, division, pairing, parts, preparation, regions, tables
from rules.columns import Ints
from rules.division import Owners
from rules.evaluation import Decisions, Plan, RunSheets
from rules.limit_sets import LimitSet
from rules.pairing import Ground, Lost, Memory, Pairing
from rules.parts import Part
from rules.preparation import Prepared
from rules.settings import Settings

TOGETHER = 250_000
"""Readings that are evaluated at once: more would take memory and save no time."""
CHUNK = 16_384
"""Links of one region that nothing was measured near."""


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
    labels: Callable[[Collection[str]], pd.DataFrame]
    """Read the labels of some dumps, each once: dump_sha256, label."""
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
    """Regions evaluated together: their tables as `pack` wrote them, and what is remembered."""

    packed: Any
    regions: tuple[str, ...]
    memories: Mapping[str, Memory]


@dataclass(frozen=True)
class Outcome:
    """What changed: regions made and regions gone, and all that is held now."""

    made: tuple[Made, ...]
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


Pack = Callable[[Part, pd.DataFrame, Ints, pd.Series, pd.Series], Any]
"""Write down the tables of a part, given its STORED, their row numbers, the links of which all that
is written stands, and those before which, in order, links come that are not of the part."""


def evaluate(given: Given, before: Territory | None, pack: Pack) -> Outcome:
    """Bring the regions of a job up to date; `before` is what the last evaluation held."""
    digests = Digests(given.mark, given.ground, given.decided, given.run_sheets, given.dumps)
    if before is None or before.ground != digests.ground:
        before = territory.empty(digests.ground, regions.cells(given.ground))
    return _Work(given, before, digests, pack).done()


@dataclass(frozen=True)
class _Tried:
    """Dumps whose records are paired."""

    dumps: frozenset[str]
    stored: pd.DataFrame
    rows: Ints
    sheet_ids: list[str]
    sheets: RunSheets
    ready: Prepared
    paired: Pairing
    outer: Lost
    ties: pd.DataFrame
    """TIES of dumps with the cells near which their records may stand."""
    cells: Ints


class _Work:
    """One evaluation under way: which region holds what so far."""

    def __init__(self, given: Given, before: Territory, digests: Digests, pack: Pack) -> None:
        self.given, self.before, self.digests, self.pack = given, before, digests, pack
        self.ground, self.now = given.ground, before
        self.made: list[Made] = []
        self.standing: list[Ints] = []
        self.settled: list[tuple[frozenset[str], Memory]] = []
        """What pairing settled of dumps in this evaluation."""
        self.sheets_of: dict[str, list[str]] = {}
        """Run sheets by the first of the dumps that they belong with; "" for none."""

    def done(self) -> Outcome:
        """Evaluate what must be, until nothing touches anything else."""
        given = self.given
        left = self._batches(self._changed()) or [frozenset[str]()]
        while left:
            dumps, *left = left
            tried = self._pair(dumps, last=not left)
            met = self._met(tried) or ([] if left else self._turned(tried))
            if met:
                left = [dumps | self._pull(met), *left]
            else:
                self._judge(tried, last=not left)
        findings, questions = parts.of_job(
            [self.now.wide(), parts.of_plan(self.ground.plan, given.decided, given.settings)],
            self.now.all("lacking"),
            given.decided,
        )
        made = {name for one in self.made for name in one.regions}
        before = set(self.before.names())
        none = np.zeros(0, dtype="int64")
        return Outcome(
            made=tuple(self.made),
            gone=tuple(sorted((before - set(self.now.names())) | (before & made))),
            standing=np.concatenate([none, *self.standing]),
            plan=self.ground.plan,
            now=self.now,
            before=self.before,
            whole=not before,
            findings=findings,
            questions=questions,
        )

    @cached_property
    def _held(self) -> pd.DataFrame:
        """CARRIED of every dump that counts, with the region that it was of."""
        known = self.before.held["dump"]
        known = known.loc[known["dump_sha256"].isin(self.given.dumps)]
        fresh = sorted(set(self.given.dumps) - set(known["dump_sha256"]))
        return pd.concat([known, self.given.carried(fresh).assign(region="")], ignore_index=True)

    def _changed(self) -> list[frozenset[str]]:
        """Return the groups of dumps that are no region yet, or no longer as they were."""
        held = self._held
        old = held.loc[held["region"] != ""]
        kept = pd.DataFrame(
            {"one": "dump " + old["dump_sha256"], "other": "region " + old["region"]}
        )
        ties = [regions.of_dumps(held, self.given.run_sheets.sheets), kept]
        digests, cells = self.before.digests(), self.before.cells_of()
        none = np.zeros(0, dtype="int64")
        changed, stands = [], set[str]()
        for by in _grouped(pd.concat(ties, ignore_index=True)):
            dumps, sheet_ids = frozenset(by.get("dump", ())), by.get("sheet", [])
            if sheet_ids:
                self.sheets_of.setdefault(min(dumps, default=""), []).extend(sorted(sheet_ids))
            if not dumps:
                continue
            name, *others = by.get("region", [""])
            links = self._links(cells.get(name, none))
            if not others and digests.get(name) == self.digests.of(dumps, sheet_ids, links):
                stands.add(name)
            else:
                changed.append(dumps)
        gone = {name for name in self.now.names() if _is_read(name) and name not in stands}
        self.now = self.now.without(gone)
        return changed

    def _batches(self, groups: list[frozenset[str]]) -> list[frozenset[str]]:
        """Put groups of dumps together, as many as are evaluated at once."""
        sizes = self.given.sizes

        def size(dumps: Iterable[str]) -> int:
            return sum(sizes[dump] for dump in dumps)

        if sum(map(size, groups)) <= TOGETHER:
            return [frozenset().union(*groups)] if groups else []
        out = [frozenset[str]()]
        for group in sorted(self._named_alike(groups), key=min):
            if out[-1] and size(out[-1]) + size(group) > TOGETHER:
                out.append(frozenset())
            out[-1] |= group
        return out

    def _named_alike(self, groups: list[frozenset[str]]) -> list[frozenset[str]]:
        """Join groups whose labels name the same places to the letter."""
        typed = self.given.labels([dump for group in groups for dump in group])
        number, labels = columns.codes(typed["label"])
        names, sites = self.ground.place.names(pairs=False)
        place = columns.positions(pd.Series(labels, dtype="str"), names)
        cell = np.full(len(labels), -1, dtype="int64")
        cell[place[place >= 0]] = self.now.cells[sites[place >= 0]]
        named = cell[number] >= 0
        dump = "dump " + typed["dump_sha256"]
        other = _named("cell", cell[number][named])
        said = pd.DataFrame({"one": dump.loc[named].array, "other": other}).drop_duplicates()
        whole = [
            pd.DataFrame({"one": f"group {min(group)}", "other": [f"dump {d}" for d in group]})
            for group in groups
        ]
        found = _grouped(pd.concat([said, *whole], ignore_index=True))
        return [frozenset(by["dump"]) for by in found if "dump" in by]

    def _sheet_ids(self, dumps: Collection[str]) -> list[str]:
        return sorted(s for first, ids in self.sheets_of.items() if first in dumps for s in ids)

    def _links(self, cells: Ints) -> Ints:
        """Return the links (rows of the plan) of some cells."""
        wanted = np.zeros(int(self.now.cells.max(initial=-1)) + 1, dtype="bool")
        wanted[cells] = True
        return np.flatnonzero(wanted[self.now.cells])

    def _pair(self, dumps: frozenset[str], *, last: bool) -> _Tried:
        """Pair the records of some dumps."""
        given = self.given
        memory.give_back()
        stored, rows = given.load(sorted(dumps))
        sheet_ids = self._sheet_ids(dumps)
        if last and self.before.digests().get(_LOOSE) != self._loose_digest():
            sheet_ids = [*sheet_ids, *self._loose()]
        sheets = RunSheets(
            *(
                frame.loc[frame["sheet_id"].isin(sheet_ids)].reset_index(drop=True)
                for frame in (given.run_sheets.sheets, given.run_sheets.checks)
            )
        )
        ready = preparation.prepare(stored, sheets, given.decided, given.settings)
        outer = self._lost()
        paired = parts.NOTHING
        if dumps:
            paired = pairing.pair(
                self.ground.plan, ready.working, ready.runs, given.decided,
                self.ground.parameters, given.settings, self._memory(dumps), self.ground, outer,
            )  # fmt: skip
        ties = self._near(ready.working, paired)
        cells = _numbers(pd.concat([ties["one"], ties["other"]]), "cell")
        return _Tried(dumps, stored, rows, sheet_ids, sheets, ready, paired, outer, ties, cells)

    def _near(self, working: pd.DataFrame, paired: Pairing) -> pd.DataFrame:
        """Tie dumps to the cells near which their records may stand, or on which they are."""
        runs, links = paired.near(self.ground)
        own = _distinct(working[["run_id", "dump_sha256"]])
        beside = own.merge(runs, on="run_id")
        near = columns.distinct(self.now.cells[links["link"]])
        parts_ = (
            ("dump " + beside["dump_sha256"], "component " + beside["component"]),
            (_named("cell", self.now.cells[links["link"]]), "component " + links["component"]),
            self._placed(paired, near, own["dump_sha256"]),
        )
        frames = [pd.DataFrame({"one": a, "other": b}).drop_duplicates() for a, b in parts_]
        return tables.conform(pd.concat(frames, ignore_index=True), regions.TIES)

    def _placed(
        self, paired: Pairing, near: Ints, dumps: Iterable[str]
    ) -> tuple[pd.Series, pd.Series]:
        """Tie dumps to the cells where people placed their readings, far from all evidence."""
        number, names = columns.codes(paired.pairs["link_id"])
        row = columns.positions(self.ground.plan.links["link_id"], pd.Series(names, dtype="str"))
        cell = np.append(self.now.cells, -1)[row]
        far = np.flatnonzero((~np.isin(cell, near) & (cell >= 0))[number])
        short = {dump[:16]: f"dump {dump}" for dump in dumps}
        heads = paired.pairs["reading_id"].take(far).str.slice(0, 16).map(short)
        return heads.reset_index(drop=True), _named("cell", cell[number[far]])

    def _memory(self, dumps: frozenset[str]) -> Memory | None:
        """Return what pairing settled of some dumps, now or before."""
        found, left = [], set(dumps)
        for held, remembered in reversed(self.settled):
            if held <= left:
                found.append(remembered)
                left -= held
        for name, known in self.before.held["dump"].groupby("region")["dump_sha256"]:
            if left.intersection(known) and not dumps.difference(left).intersection(known):
                earlier = self.given.remembered(str(name))
                found += [earlier] if earlier is not None else []
        return pairing.joined(found) if found else None

    def _lost(self) -> tuple[Counter[str], Counter[str]]:
        """Count the names that the plan lacks, over the regions that stand so far."""
        heads = self.now.held["head"]
        out = Counter[str](), Counter[str]()
        for fibres, head, count in heads[["fibres", "head", "count"]].itertuples(index=False):
            out[fibres - 1][head] += count
        return out

    def _met(self, tried: _Tried) -> list[str]:
        """Return the regions that records come near, but for those without readings from before."""
        owned = self.now.held["cell"]
        met: list[str] = owned.loc[owned["cell"].isin(tried.cells), "region"].unique().tolist()
        made = {name for one in self.made for name in one.regions}
        return [name for name in met if _is_read(name) or name in made]

    def _turned(self, tried: _Tried) -> list[str]:
        """Return the regions whose unknown names count otherwise than when they were paired."""
        mine = tried.paired.memory.lost if tried.paired.memory else ({}, {})
        total = [known + Counter(own) for known, own in zip(self._lost(), mine, strict=True)]
        out = []
        for name in self.now.held["head"]["region"].unique().tolist():
            lost, before = self.now.lost(name)
            one, two = (a - Counter(own) for a, own in zip(total, lost, strict=True))
            if pairing.turned(lost, before, (one, two)):
                out.append(str(name))
        return out

    def _pull(self, names: Collection[str]) -> frozenset[str]:
        """Let go of regions, with those made together with them; return their dumps."""
        gone = set(names)
        for one in self.made:
            if gone.intersection(one.regions):
                gone.update(one.regions)
        self.made = [one for one in self.made if not gone.intersection(one.regions)]
        dumps = self.now.held["dump"]
        out = frozenset(dumps.loc[dumps["region"].isin(gone), "dump_sha256"])
        self.now = self.now.without(gone)
        return out

    def _judge(self, tried: _Tried, *, last: bool) -> None:
        """Check and grade what is paired, and tell the regions apart that it makes."""
        given = self.given
        made = self._regions(tried)
        for name, cells in self.now.cells_of().items():
            if np.isin(cells, tried.cells).any():
                self.now = self.now.without([name])
                left = np.setdiff1d(cells, tried.cells)
                if len(left):
                    self.now = self.now.plus({"cell": _frame(name, cell=left, told="")})
        made += self._unread(tried) if last else []
        if not made:
            return
        links = self._links(np.concatenate([one.cells for one in made]))
        plan = self._plan(links)
        part = parts.judge(
            plan, tried.ready, tried.paired, tried.sheets, given.sets, given.decided,
            given.settings, memory.give_back,
        )  # fmt: skip
        held = division.divide(part, self._owners(plan, links, made))
        if held is None:
            made = [_all_of(made)]
            held = division.divide(part, self._owners(plan, links, made), sole=True)
        assert held is not None
        memories = self._remember(tried, made, held)
        self.now = self.now.without([one.name for one in made]).plus(
            self._written(tried, made, held, memories)
        )
        stands = [self._stands(one) for one in made if not one.dumps]
        self.standing += stands
        kept = self._links(np.concatenate([np.zeros(0, dtype="int64"), *stands]))
        names = self.ground.plan.links["link_id"].take(kept)
        packed = self.pack(
            part, tried.stored, tried.rows, names, self._begins(np.setdiff1d(links, kept))
        )
        self.made.append(Made(packed, tuple(one.name for one in made), memories))

    def _begins(self, links: Ints) -> pd.Series[Any]:
        """Return the links before which, in order of name, links come that are not among them."""
        rank = self.ground.rank
        ordered = links[np.argsort(rank[links])]
        fresh = np.diff(rank[ordered], prepend=-2) != 1
        return self.ground.plan.links["link_id"].take(ordered[fresh])

    def _plan(self, links: Ints) -> Plan:
        plan = self.ground.plan
        if len(links) == len(plan.links):
            return plan
        return Plan(plan.links.take(links).reset_index(drop=True), plan.revision)

    def _regions(self, tried: _Tried) -> list[_Region]:
        """Tell the regions apart that paired dumps make."""
        mine = self._held["dump_sha256"].isin(tried.dumps)
        sheets = tried.sheets.sheets
        own = sheets.loc[~sheets["sheet_id"].isin(self._loose())]
        ties = [regions.of_dumps(self._held.loc[mine], own), tried.ties]
        out = []
        for by in _grouped(pd.concat(ties, ignore_index=True)):
            dumps = frozenset(by.get("dump", ()))
            if dumps:
                cells = np.array(sorted(map(int, by.get("cell", ()))), dtype="int64")
                out.append(_Region(min(dumps), dumps, tuple(by.get("sheet", ())), cells))
        return out

    def _unread(self, tried: _Tried) -> list[_Region]:
        """Return the regions without readings that must be evaluated anew."""
        known = {name: c for name, c in self.now.cells_of().items() if not _is_read(name)}
        free = np.ones(int(self.now.cells.max(initial=-1)) + 1, dtype="bool")
        free[self.now.held["cell"]["cell"].to_numpy()] = False
        free[tried.cells] = False
        lone = np.flatnonzero(free)
        sizes = np.bincount(self.now.cells, minlength=len(free))
        chunk = np.cumsum(sizes[lone]) // CHUNK
        taken = {*self.before.names(), *known}
        for number in columns.distinct(chunk).tolist():
            name = next(n for n in map(_unread_name, range(len(taken) + 1)) if n not in taken)
            taken.add(name)
            known[name] = lone[chunk == number]
        digests = self.before.digests()
        out = [
            _Region(name, frozenset(), (), cells)
            for name, cells in known.items()
            if digests.get(name) != self._lone_digest(cells)
        ]
        loose = self._loose()
        if digests.get(_LOOSE) != self._loose_digest():
            self.now = self.now.without([_LOOSE])
            if loose:
                none = np.zeros(0, dtype="int64")
                out.append(_Region(_LOOSE, frozenset(), tuple(loose), none))
        return out

    def _loose(self) -> list[str]:
        return self.sheets_of.get("", [])

    def _loose_digest(self) -> str | None:
        """Return the digest of the run sheets that belong with no dump, None without any."""
        none = np.zeros(0, dtype="int64")
        return self.digests.of([], self._loose(), none) if self._loose() else None

    def _lone_digest(self, cells: Ints) -> str:
        return digest_of(self.digests.of([], [], self._links(cells)), cells.tolist())

    def _owners(self, plan: Plan, links: Ints, made: list[_Region]) -> Owners:
        owner = np.full(int(self.now.cells.max(initial=-1)) + 1, division.NOBODY, dtype="int64")
        for number, one in enumerate(made):
            owner[one.cells] = number
        return Owners(
            plan,
            {dump: number for number, one in enumerate(made) for dump in one.dumps},
            {sheet: number for number, one in enumerate(made) for sheet in one.sheets},
            owner[self.now.cells[links]],
        )

    def _remember(
        self, tried: _Tried, made: list[_Region], held: division.Held
    ) -> dict[str, Memory]:
        """Divide what pairing settled among the regions."""
        whole = tried.paired.memory
        if whole is None:
            return {}
        read = [number for number, one in enumerate(made) if one.dumps]
        run = held["run"]
        out = {
            made[number].name: whole
            if len(read) == 1
            else whole.of_runs(run.loc[run["region"] == number, "run_id"].to_list())
            for number in read
        }
        self.settled += [(made[n].dumps, out[made[n].name]) for n in read]
        return out

    def _written(
        self, tried: _Tried, made: list[_Region], held: division.Held,
        memories: Mapping[str, Memory],
    ) -> dict[str, pd.DataFrame]:  # fmt: skip
        """Return all that the regions hold, by the names of HELD."""
        names = [one.name for one in made]

        def named(frame: pd.DataFrame) -> pd.DataFrame:
            number = frame["region"].to_numpy(dtype="int64")
            return frame.assign(region=pd.array(names, dtype="str").take(number))

        def counted(name: str) -> list[int]:
            number = held[name]["region"].to_numpy(dtype="int64")
            count: list[int] = np.bincount(number, minlength=len(made)).tolist()
            return count

        digests = [
            self.digests.of(one.dumps, one.sheets, self._links(one.cells))
            if one.dumps or one.name == _LOOSE
            else self._lone_digest(one.cells)
            for one in made
        ]
        owner = {dump: one.name for one in made for dump in one.dumps}
        dumps = self._held.loc[self._held["dump_sha256"].isin(owner)]
        total = [
            Counter(a) + Counter(b)
            for a, b in zip(
                tried.outer, tried.paired.memory.lost if tried.paired.memory else ({}, {}),
                strict=True,
            )
        ]  # fmt: skip
        heads = [
            territory.heads(
                m.lost, (total[0] - Counter(m.lost[0]), total[1] - Counter(m.lost[1]))
            ).assign(region=name)
            for name, m in memories.items()
        ]
        own = {name: named(frame) for name, frame in held.items() if name in territory.HELD}
        return own | {
            "region": pd.DataFrame(
                {
                    "region": names, "digest": digests, "planned": counted("planned"),
                    "readings": counted("readings"),
                }
            ),
            "dump": dumps.assign(region=dumps["dump_sha256"].map(owner)),
            "sheet": pd.concat([_frame(one.name, sheet_id=list(one.sheets)) for one in made]),
            "cell": pd.concat(
                [_frame(one.name, cell=one.cells, told=self._told(one)) for one in made]
            ),
            "head": pd.concat([territory.heads(({}, {}), ({}, {})).assign(region=""), *heads]),
        }  # fmt: skip

    def _told(self, one: _Region) -> list[str] | str:
        """Return the digest of what people said of each cell that nothing was measured near."""
        if one.dumps or not self.digests.acts(self._links(one.cells)):
            return ""
        told = [self.digests.acts(self._links(one.cells[[at]])) for at in range(len(one.cells))]
        return [digest_of(acts) if acts else "" for acts in told]

    def _stands(self, one: _Region) -> Ints:
        """Return the cells of a region without readings of which what is written stands.

        Links without readings have nothing to do with each other.
        """
        now, before = self.now.of("cell", one.name), self.before.of("cell", one.name)
        return now.merge(before, on=["cell", "told"])["cell"].to_numpy(dtype="int64")


@dataclass(frozen=True)
class _Region:
    """A region by what it holds."""

    name: str
    dumps: frozenset[str]
    sheets: tuple[str, ...]
    cells: Ints


def _all_of(made: Collection[_Region]) -> _Region:
    """Return one region in place of several, where one cannot tell whose everything is."""
    dumps = frozenset[str]().union(*(one.dumps for one in made))
    return _Region(
        min(dumps) if dumps else min(one.name for one in made),
        dumps,
        tuple(sheet for one in made for sheet in one.sheets),
        np.unique(np.concatenate([one.cells for one in made])),
    )


_LOOSE = "sheets without readings"
"""The region of run sheets that no dump belongs to."""


def _unread_name(number: int) -> str:
    return f"unread {number:04d}"


def _is_read(region: str) -> bool:
    """Tell whether a region holds dumps: it is then called by the first of their hashes."""
    return " " not in region


def _grouped(ties: pd.DataFrame) -> list[dict[str, list[str]]]:
    """Return what TIES join: the names of each kind."""
    out = []
    for _, things in regions.joined(ties).groupby("region", sort=True)["thing"]:
        by: dict[str, list[str]] = {}
        for thing in things:
            kind, _, name = thing.partition(" ")
            by.setdefault(kind, []).append(name)
        out.append(by)
    return out


def _named(kind: str, numbers: Ints) -> pd.Series:
    return kind + " " + pd.Series(numbers).astype("str")


def _distinct(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the distinct rows of columns of few texts."""
    found = [columns.codes(frame[name]) for name in frame]
    key = columns.compound(*(number for number, _ in found))
    first = np.flatnonzero(~pd.Series(key).duplicated().to_numpy())
    return pd.DataFrame(
        {
            name: pd.array(texts[number[first]], dtype="str")
            for name, (number, texts) in zip(frame, found, strict=True)
        }
    )


def _numbers(things: pd.Series, kind: str) -> Ints:
    """Return the numbers of things of one kind, each once."""
    mine = things.loc[things.str.startswith(f"{kind} ")]
    found: Ints = mine.str.slice(len(kind) + 1).to_numpy(dtype="int64")
    return columns.distinct(found)


def _frame(region: str, **values: Any) -> pd.DataFrame:
    """Return a table of one region; with a row for each value, none for an empty list."""
    return pd.DataFrame(values).assign(region=region)
