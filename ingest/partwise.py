"""A job evaluated region by region: only those are evaluated anew of which something changed.

What comes out is what `evaluate` gives for the whole (`verify` derives the whole and compares).
Regions that changed are evaluated together, as one part or as few as memory wants, and told apart
afterwards (`rules.division`). Where records stand is known only once they are paired: what they
come near that another region holds is then evaluated with them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Generator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from ingest import changes, holding, pairings, territory
from ingest.beside import Beside, Shared
from ingest.decided import Digests, digest_of
from ingest.given import Given
from ingest.holding import LOOSE, Region, is_read, unread
from ingest.judged import Dumps, Judged, Made, Outcome, Pack, Tried
from ingest.territory import Territory
from rules import columns, division, pairing, parts, preparation, regions
from rules.columns import Ints
from rules.evaluation import Plan, RunSheets
from rules.pairing import Lost, Memory

PLAN = "the plan"
"""Under this name stands what a plan gives away by itself; it is no region."""
CHUNK = 2_048
"""Links of one region that nothing was measured near."""


def evaluate(given: Given, before: Territory | None, pack: Pack, beside: Beside) -> Outcome:
    """Bring the regions of a job up to date; `before` is what the last evaluation held.

    `beside` judges a share of the batches: its answers are those of `Work.judged`.
    """
    return Work.on(given, before, pack).done(beside)


class Work:
    """One evaluation under way: which region holds what so far."""

    def __init__(self, given: Given, before: Territory, digests: Digests, pack: Pack) -> None:
        self.given, self.before, self.digests, self.pack = given, before, digests, pack
        self.changes = changes.find(given, before, digests)
        gone = filter(is_read, set(before.names()) - self.changes.stands)
        self.ground, self.now = given.ground, before.without(list(gone))
        self.made: list[Made] = []
        self.standing: list[Ints] = []
        self.settled: list[tuple[Dumps, bytes]] = []
        """What pairing settled of dumps in this evaluation."""

    @classmethod
    def on(cls, given: Given, before: Territory | None, pack: Pack) -> Work:
        """Begin on what the last evaluation held, or anew where the ground is another."""
        digests = Digests(given.mark, given.ground, given.decided, given.run_sheets, given.dumps)
        if before is None or before.ground != digests.ground:
            before = territory.empty(digests.ground, regions.cells(given.ground))
        return cls(given, before, digests, pack)

    def done(self, beside: Beside) -> Outcome:
        """Evaluate what must be, until nothing touches anything else."""
        batches = changes.batches(self.given, self.now.cells, self.changes.groups, beside.processes)
        # whoever comes last looks at what the others came to, and takes what nobody measured
        left = batches if len(batches) == 1 else [*batches, Dumps()]
        elsewhere = beside.share(left[:-1])
        while left:
            dumps, *left = left
            if elsewhere.under_way(dumps):
                # who must wait may as well take what nobody measured
                near = self._near([dumps, *left], elsewhere, wait=True)
                if near is not None:
                    self._take(self._judge(self._pair(Dumps(), last=False), near))
            found = elsewhere.answer(dumps) or self._pair(dumps, last=not left)
            met = self._met(found.cells) or ([] if left else self._turned(found.lost))
            if met:
                left = [dumps | self._pull(met), *left]
                continue
            self._let_go(found.cells)
            if not isinstance(found, Judged):
                found = self._judge(found, self._near(left, elsewhere, wait=False))
            self._take(found)
            del found  # the next takes as much memory
        if not self.before.names():
            # what a plan gives away by itself is as lasting as the ground
            alone = parts.of_plan(self.ground.plan, self.given.decided, self.given.settings)
            self.now = self.now.plus({"wide": alone.findings.assign(region=PLAN)})
        findings, questions = parts.of_job(
            [self.now.wide()], self.now.all("lacking"), self.given.decided
        )
        made, before = self._names(), set(self.before.names())
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

    def judged(self, dumps: Dumps) -> Generator[Ints | Judged | None, None, None]:
        """Evaluate some dumps for another process, as if there were no others that changed.

        Yields the cells that they come near, which are known long before the rest.
        """
        tried = self._pair(dumps, last=False)
        yield tried.cells
        yield self._judge(tried, None)

    def _take(self, judged: Judged | None) -> None:
        """Count what some dumps come to among what stands."""
        if judged is None:
            return
        regions_ = judged.made.regions
        self.now = self.now.without(regions_).plus(judged.held)
        self.made.append(judged.made)
        self.standing.append(judged.standing)
        memories = judged.made.memories
        self.settled += [(judged.settled[name], memories[name]) for name in memories]

    def _pair(self, dumps: Dumps, *, last: bool) -> Tried:
        """Pair the records of some dumps."""
        given = self.given
        stored, rows = given.load(sorted(dumps))
        sheet_ids = self.changes.sheets_of(dumps)
        if last and not self._loose_stands():
            sheet_ids = [*sheet_ids, *self._loose()]
        sheets = RunSheets(
            *(
                frame.loc[frame["sheet_id"].isin(sheet_ids)].reset_index(drop=True)
                for frame in (given.run_sheets.sheets, given.run_sheets.checks)
            )
        )
        ready = preparation.prepare(stored, sheets, given.decided, given.settings)
        ids = stored["reading_id"]
        del stored  # the working table holds as much
        paired = parts.NOTHING
        if dumps:
            paired = pairing.pair_on(
                self.ground, ready.working, given.decided, self._memory(dumps), self._lost()
            )
        ties = regions.by_evidence(self.ground, self.now.cells, ready.working, paired)
        cells = regions.numbers(pd.concat([ties["one"], ties["other"]]), "cell")
        return Tried(dumps, ids, rows, sheet_ids, sheets, ready, paired, ties, cells)

    def _memory(self, dumps: Dumps) -> Memory | None:
        """Return what pairing settled of some dumps, now or before."""
        found, left = [], set(dumps)
        for held, packed in reversed(self.settled):
            if held <= left and (settled := pairings.unpack(packed)) is not None:
                found.append(settled)
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

    def _met(self, cells: Ints) -> list[str]:
        """Return the regions that records come near, but for those without readings from before."""
        owned = self.now.held["cell"]
        met: list[str] = owned.loc[owned["cell"].isin(cells), "region"].unique().tolist()
        made = self._names()
        return [name for name in met if is_read(name) or name in made]

    def _names(self) -> set[str]:
        """Return the regions made so far."""
        return {name for one in self.made for name in one.regions}

    def _turned(self, lost: Lost) -> list[str]:
        """Return the regions whose unknown names count otherwise than when they were paired."""
        total = self._all_lost(lost)
        out = []
        for name in self.now.held["head"]["region"].unique().tolist():
            lost, before = self.now.lost(name)
            one, two = (a - Counter(own) for a, own in zip(total, lost, strict=True))
            if pairing.turned(lost, before, (one, two)):
                out.append(str(name))
        return out

    def _all_lost(self, mine: Lost) -> tuple[Counter[str], Counter[str]]:
        """Count the names that the plan lacks, over what stands and what was paired now."""
        one, two = (known + Counter(own) for known, own in zip(self._lost(), mine, strict=True))
        return one, two

    def _pull(self, names: Collection[str]) -> Dumps:
        """Let go of regions, with those made together with them; return their dumps."""
        gone = set(names)
        for one in self.made:
            if gone.intersection(one.regions):
                gone.update(one.regions)
        self.made = [one for one in self.made if not gone.intersection(one.regions)]
        dumps = self.now.held["dump"]
        out = Dumps(dumps.loc[dumps["region"].isin(gone), "dump_sha256"])
        self.now = self.now.without(gone)
        return out

    def _near(self, left: Sequence[Dumps], others: Shared, *, wait: bool) -> Ints | None:
        """Return the cells that what is left comes near, None where that is not known.

        All but the last, which has no dumps, must be under way elsewhere.
        """
        # what is written of links without readings may stand or go: they come last then
        if left and (self.before.names() or not self._loose_stands()):
            return None
        found = [np.zeros(0, dtype="int64")]
        for dumps in left[:-1]:
            cells = others.early(dumps, wait=wait)
            if cells is None:
                return None
            found.append(cells)
        return np.concatenate(found)

    def _judge(self, tried: Tried, near: Ints | None) -> Judged | None:
        """Check and grade what is paired, and tell the regions apart that it makes.

        near: where it is known what cells all others come near, what nobody measured is taken
        along; should another come near it all the same, both are evaluated anew. None for nothing.
        """
        made = self._regions(tried)
        if near is not None:
            made += self._unread(np.concatenate([near, tried.cells]))
        return self._judged(tried, made) if made else None

    def _judged(self, tried: Tried, made: list[Region]) -> Judged:
        """Check and grade the regions that paired dumps make."""
        given = self.given
        links = self.now.links_of(np.concatenate([one.cells for one in made]))
        plan = self._plan(links)
        of_links = self.now.cells[links]
        part = parts.judge(
            plan, tried.ready, tried.paired, tried.sheets, given.sets, given.decided,
            given.settings,
        )  # fmt: skip
        held = division.divide(part, holding.owners(plan, of_links, made))
        if held is None:
            made = [holding.sole(made)]
            held = division.divide(part, holding.owners(plan, of_links, made), sole=True)
        assert held is not None
        memories = holding.remembered(tried.paired.memory, made, held)
        told = [self._told(one) for one in made]
        mine = self.changes.held["dump_sha256"].isin(tried.dumps)
        written = holding.written(
            made, held, [self._digest(one) for one in made], told,
            self.changes.held.loc[mine], memories, self._all_lost(tried.lost),
        )  # fmt: skip
        stands = [
            self._stands(one, of) for one, of in zip(made, told, strict=True) if not one.dumps
        ]
        standing = np.concatenate([np.zeros(0, dtype="int64"), *stands])
        kept = self.now.links_of(standing)
        names = self.ground.plan.links["link_id"].take(kept)
        packed = self.pack(
            part, tried.ids, tried.rows, names, self._begins(np.setdiff1d(links, kept))
        )
        remembered = {name: pairings.pack(settled) for name, settled in memories.items()}
        return Judged(
            cells=tried.cells,
            lost=tried.lost,
            made=Made(packed, tuple(one.name for one in made), remembered),
            held=written,
            standing=standing,
            settled={one.name: one.dumps for one in made if one.dumps},
        )

    def _let_go(self, cells: Ints) -> None:
        """Take cells out of the regions that held them while nothing was measured near them."""
        owned = self.now.held["cell"]
        taken = np.isin(owned["cell"].to_numpy(), cells)
        touched = owned.loc[taken, "region"].unique().tolist()
        left = owned.loc[~taken & owned["region"].isin(touched).to_numpy()]
        if touched:
            self.now = self.now.without(touched).plus({"cell": left.assign(told="")})

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

    def _regions(self, tried: Tried) -> list[Region]:
        """Tell the regions apart that paired dumps make."""
        mine = self.changes.held["dump_sha256"].isin(tried.dumps)
        sheets = tried.sheets.sheets
        own = sheets.loc[~sheets["sheet_id"].isin(self._loose())]
        ties = [regions.of_dumps(self.changes.held.loc[mine], own), tried.ties]
        out = []
        for by in regions.grouped(pd.concat(ties, ignore_index=True)):
            dumps = frozenset(by.get("dump", ()))
            if dumps:
                cells = np.array(sorted(map(int, by.get("cell", ()))), dtype="int64")
                out.append(Region(min(dumps), dumps, tuple(by.get("sheet", ())), cells))
        return out

    def _unread(self, near: Ints) -> list[Region]:
        """Return the regions without readings that must be evaluated anew.

        near: cells that some records come near beside those of regions.
        """
        known = {name: c for name, c in self.now.cells_of().items() if not is_read(name)}
        free = np.ones(int(self.now.cells.max(initial=-1)) + 1, dtype="bool")
        free[self.now.held["cell"]["cell"].to_numpy()] = False
        free[near] = False
        lone = np.flatnonzero(free)
        sizes = np.bincount(self.now.cells, minlength=len(free))
        chunk = np.cumsum(sizes[lone]) // CHUNK
        taken = {*self.before.names(), *known}
        for number in columns.distinct(chunk).tolist():
            name = next(n for n in map(unread, range(len(taken) + 1)) if n not in taken)
            taken.add(name)
            known[name] = lone[chunk == number]
        digests = self.now.digests()
        lone_ = (Region(name, frozenset(), (), cells) for name, cells in known.items())
        out = [one for one in lone_ if digests.get(one.name) != self._digest(one)]
        loose = self._loose()
        if not self._loose_stands():
            self.now = self.now.without([LOOSE])
            if loose:
                none = np.zeros(0, dtype="int64")
                out.append(Region(LOOSE, frozenset(), tuple(loose), none))
        return out

    def _loose(self) -> list[str]:
        return self.changes.sheets.get("", [])

    def _loose_digest(self) -> str | None:
        """Return the digest of the run sheets that belong with no dump, None without any."""
        none = np.zeros(0, dtype="int64")
        return self.digests.of([], self._loose(), none) if self._loose() else None

    def _loose_stands(self) -> bool:
        """Tell whether the run sheets that belong with no dump were evaluated as they are."""
        return self.now.digests().get(LOOSE) == self._loose_digest()

    def _digest(self, one: Region) -> str:
        """Return the digest of all that a region depends on beside the ground."""
        links = self.now.links_of(one.cells)
        digest = self.digests.of(one.dumps, one.sheets, links)
        return digest if one.dumps or one.sheets else digest_of(digest, one.cells.tolist())

    def _told(self, one: Region) -> list[str] | str:
        """Return the digest of what people said of each cell that nothing was measured near."""
        if one.dumps or not self.digests.acts(self.now.links_of(one.cells)):
            return ""
        told = [
            self.digests.acts(self.now.links_of(one.cells[[at]])) for at in range(len(one.cells))
        ]
        return [digest_of(acts) if acts else "" for acts in told]

    def _stands(self, one: Region, told: list[str] | str) -> Ints:
        """Return the cells of a region without readings of which what is written stands.

        Links without readings have nothing to do with each other.
        """
        now = pd.DataFrame({"cell": one.cells}).assign(told=told)
        before = self.before.of("cell", one.name)
        return now.merge(before, on=["cell", "told"])["cell"].to_numpy(dtype="int64")
