"""Components: runs whose readings may touch each other, and what was settled for each before.

Two runs belong together where any record of one may stand in a panel in which a record of the
other stands or may stand, or where one instrument went on from one to the other and where it
stood is in doubt. Nothing else passes between runs, but for names of panels that the plan lacks:
those count over the job, and so are watched apart. What a component gives is therefore a function
of its own records, and stays as it was while they do and nobody else comes near.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

from rules import columns
from rules.pairing import candidates, evidence, outcome, remembered, settle
from rules.pairing.case import Case
from rules.pairing.evidence import Evidence
from rules.pairing.outcome import Outcome
from rules.pairing.remembered import Remembered
from rules.pairing.settle import Part
from rules.pairing.sites import Sites
from rules.pairing.weigh import Weighed


@dataclass(frozen=True)
class Made:
    """Outcome and evidence of all records of a class; what was weighed for them now."""

    found: Outcome
    evidence: Evidence
    rows: np.ndarray
    """The records that were settled anew."""
    weighed: Weighed | None
    kept: Remembered
    untouched: frozenset[str]
    anew: frozenset[str]
    """Runs whose outcome was taken over, and those settled anew."""


def of_class(
    case: Case, place: Sites, digest: np.ndarray, before: Remembered | None, *, pairs: bool
) -> Made:
    """Settle the records of one class; only components that changed are weighed.

    digest: of each run. before: what an earlier pairing on the same ground kept.
    """
    now = _Now(case, digest)
    found, proof = outcome.empty(len(case.run)), evidence.empty(len(case.run))
    earlier = _Earlier(before, now) if before is not None else None
    clean = earlier.same() if earlier is not None else np.zeros(now.runs, dtype=bool)
    outer = Counter(case.elsewhere)
    elsewhere = outer
    while True:
        rows, part, batch = np.zeros(0, dtype=np.int64), None, None
        if earlier is not None:
            elsewhere = outer + earlier.heads(clean)
        if not clean.all():
            rows = np.flatnonzero(~clean[case.run])
            some = case.take(rows, elsewhere)
            part = settle.settle(some, place, pairs=pairs)
            batch = _Batch(some, part, np.flatnonzero(~clean))
        if earlier is None:
            break
        near = earlier.near(clean, batch, elsewhere)
        if not near.any():
            break
        clean &= ~near
    if part is not None:
        for name in outcome.FIELDS:
            getattr(found, name)[rows] = getattr(part.found, name)
        if part.weighed is not None:
            proof.put(rows[part.weighed.rows], evidence.of_weighed(part.weighed))
    if earlier is not None:
        earlier.give(found, proof, clean)
    kept = _keep(now, found, proof, clean, earlier, batch)
    names = np.array(now.names, dtype=object)
    return Made(
        found, proof, rows, None if part is None else part.weighed, kept, frozenset(names[clean]),
        frozenset(names[~clean]),
    )  # fmt: skip


class _Now:
    """The runs of a class as they are now."""

    def __init__(self, case: Case, digest: np.ndarray) -> None:
        self.case, self.digest, self.runs = case, digest, len(digest)
        self.first = np.searchsorted(case.run, np.arange(self.runs))
        self.count = np.bincount(case.run, minlength=self.runs)
        self.names = case.table["run_id"].iloc[self.first].to_list()
        self.marks = np.unique(np.r_[case.noted * 2, case.again * 2 + 1])
        self.told = len(case.noted) > 0

    def marked(self, panels: pd.DataFrame) -> pd.DataFrame:
        """Return the marks in panels of components: component, mark."""
        own = pd.DataFrame({"panel": self.case.grid.panel[self.marks // 2], "mark": self.marks})
        return panels.merge(own, on="panel")[["component", "mark"]]

    @property
    def previous(self) -> pd.Series:
        """Return the run id of what the same instrument did just before each run."""
        return columns.texts([*self.names, ""], self.case.before)


class _Batch:
    """What was weighed now, by the numbers of the runs of the class."""

    def __init__(self, case: Case, part: Part, runs: np.ndarray) -> None:
        self.runs = runs
        self.panels = len(case.grid.sizes)
        named = part.named >= 0
        codes = case.run[named] * self.panels + case.grid.panel[part.named[named]]
        touched = [codes] if part.weighed is None else [codes, part.weighed.touched]
        self.touched = np.unique(np.concatenate(touched))
        swept, at = part.sweep >= 0, np.arange(len(runs))
        self.surely_first = swept[np.searchsorted(case.run, at)]
        self.surely_last = swept[np.searchsorted(case.run, at, side="right") - 1]
        self.before = case.before
        self.elsewhere = case.elsewhere
        self.heads = self._heads(case, part)

    def _heads(self, case: Case, part: Part) -> Counter[tuple[int, str]]:
        """Count the names of panels that the plan lacks, by run."""
        if part.weighed is None:
            return Counter()
        lost = {n: info.head for n, info in part.weighed.typed.items() if info.lost}
        runs, names = part.weighed.run_of.tolist(), part.weighed.names
        return Counter((r, lost[n]) for r, n in zip(runs, names, strict=True) if n in lost)

    def components(self) -> np.ndarray:
        """Number the components of the runs weighed now."""
        count = len(self.runs)
        run, panel = np.divmod(self.touched, max(self.panels, 1))
        after = np.flatnonzero(self.before >= 0)
        doubt = ~(self.surely_first[after] & self.surely_last[self.before[after]])
        one = np.r_[run, after[doubt]]
        other = np.r_[count + panel, self.before[after[doubt]]]
        size = count + self.panels
        graph = sparse.coo_matrix((np.ones(len(one)), (one, other)), shape=(size, size))
        _, label = csgraph.connected_components(graph, directed=False)
        return columns.combined(label[:count].astype(np.int64))


class _Earlier:
    """What was kept, seen from the runs of now."""

    def __init__(self, kept: Remembered, now: _Now) -> None:
        self.kept, self.now = kept, now
        self.names = kept.runs["run_id"]
        self.at = columns.positions(self.names, pd.Series(now.names, dtype="str"))
        self.component = kept.runs["component"].to_numpy()
        self.first = kept.runs["surely_first"].to_numpy()
        self.last = kept.runs["surely_last"].to_numpy()
        self.own = np.where(self.at >= 0, self.component[self.at], -1)
        self.size = int(self.component.max(initial=-1)) + 1

    def same(self) -> np.ndarray:
        """Say of each run whether its component is as it was, as far as is seen at once."""
        now, kept = self.now, self.kept
        known = self.at >= 0
        runs = kept.runs.iloc[self.at[known]]
        alike = runs["digest"].to_numpy() == now.digest[known].view(np.int64)
        known[known] = alike & (runs["told"].to_numpy() == now.told)
        whole = np.bincount(self.own[known], minlength=self.size)
        gone = whole != np.bincount(self.component, minlength=self.size)
        was, are = (_of_marks(frame, now) for frame in (kept.marks, now.marked(kept.panels)))
        gone[np.setxor1d(was, are) // max(2 * now.case.grid.units, 1)] = True
        gone[self._other_order(known)] = True
        return np.asarray(known & ~gone[self.own])

    def _other_order(self, known: np.ndarray) -> np.ndarray:
        """Return the components in which an instrument went on otherwise than before, in doubt."""
        now, at = self.now, self.at
        was = columns.positions(self.names, self.kept.runs["previous"])
        runs = np.flatnonzero(known)
        before = now.case.before[runs]
        here = np.where(before >= 0, at[before], -1)  # as numbered then, -1 for none and for new
        there = was[at[runs]]
        moved = (here != there) | ((before >= 0) & (here < 0))
        runs, here, there = runs[moved], here[moved], there[moved]
        doubt = ~self.first[at[runs]]
        left = (there >= 0) & (doubt | ~self.last[there])
        joined = (here >= 0) & (doubt | ~self.last[here])
        away = self.own[runs[left | joined | doubt]]
        return np.concatenate([away, self.component[here[joined]]])

    def heads(self, clean: np.ndarray) -> Counter[str]:
        """Count the names of panels that the plan lacks, as the runs taken over typed them."""
        kept = self.held(clean)
        return remembered.counted(
            self.kept.heads.loc[kept[self.kept.heads["component"].to_numpy()]]
        )

    def held(self, clean: np.ndarray) -> np.ndarray:
        """Say of each component, and of none (the last), whether it is taken over."""
        out = np.zeros(self.size + 1, dtype=bool)
        out[self.own[clean]] = True
        return out

    def near(self, clean: np.ndarray, batch: _Batch | None, elsewhere: Counter[str]) -> np.ndarray:
        """Say of each run whether what was weighed now touches its component."""
        hit = np.zeros(self.size + 1, dtype=bool)
        owner = self.kept.panels["component"].to_numpy()
        total = Counter(elsewhere)
        if batch is not None:
            panel = self.kept.panels["panel"].to_numpy()
            hit[owner[np.isin(panel, batch.touched % max(batch.panels, 1))]] = True
            for (_, head), count in batch.heads.items():
                total[head] += count
            hit[self._went_on(clean, batch)] = True
        heads = self.kept.heads
        often = [candidates.often(head, total[head]) for head in heads["head"]]
        turned = heads["often"].to_numpy(dtype=bool) != np.array(often, dtype=bool)
        hit[heads["component"].to_numpy()[turned]] = True
        return np.asarray(clean & hit[self.own])

    def _went_on(self, clean: np.ndarray, batch: _Batch) -> np.ndarray:
        """Return the components that an instrument left for what was weighed now, or came to."""
        runs = len(clean)
        first, last = np.zeros(runs, dtype=bool), np.zeros(runs, dtype=bool)
        first[clean], last[clean] = self.first[self.at[clean]], self.last[self.at[clean]]
        first[batch.runs], last[batch.runs] = batch.surely_first, batch.surely_last
        after = np.flatnonzero(self.now.case.before >= 0)
        before = self.now.case.before[after]
        across = (clean[after] != clean[before]) & ~(first[after] & last[before])
        return np.asarray(self.own[np.where(clean[after], after, before)[across]])

    def rows(self, clean: np.ndarray) -> np.ndarray:
        """Return where the records of the runs taken over stand among those kept."""
        at = self.at[clean]
        count = self.kept.runs["records"].to_numpy()
        begin = np.cumsum(count) - count
        own = np.cumsum(count[at]) - count[at]
        return np.repeat(begin[at] - own, count[at]) + np.arange(int(count[at].sum()))

    def give(self, found: Outcome, proof: Evidence, clean: np.ndarray) -> None:
        """Take over what was settled for some runs."""
        rows = np.flatnonzero(clean[self.now.case.run])
        then = self.rows(clean)
        records = self.kept.records
        for name in outcome.FIELDS:
            values = getattr(found, name)
            values[rows] = _plain(records[name], values.dtype).take(then)
        there = np.full(len(records), -1, dtype=np.int64)
        there[then] = rows
        proofs = self.kept.proofs
        mine = there[proofs["row"].to_numpy()]
        terms = np.column_stack([proofs[name].to_numpy() for name in evidence.TERMS])
        old = Evidence(proofs["total"].to_numpy(), terms).take(np.flatnonzero(mine >= 0))
        proof.put(mine[mine >= 0], old)


def _of_marks(marks: pd.DataFrame, now: _Now) -> np.ndarray:
    """Return a number for each component and mark."""
    size = 2 * now.case.grid.units
    return np.asarray(
        marks["component"].to_numpy(np.int64) * size + marks["mark"].to_numpy(np.int64)
    )


def _plain(column: pd.Series, kind: np.dtype) -> np.ndarray:
    if isinstance(column.dtype, pd.CategoricalDtype):
        texts = np.asarray(column.dtype.categories, dtype=object)
        return np.asarray(texts[column.cat.codes.to_numpy()], dtype=kind)
    return np.asarray(column.to_numpy(), dtype=kind)


def _keep(
    now: _Now, found: Outcome, proof: Evidence, clean: np.ndarray, earlier: _Earlier | None,
    batch: _Batch | None,
) -> Remembered:  # fmt: skip
    """Put together what is kept for the next time."""
    component = np.full(now.runs, -1, dtype=np.int64)
    first, last = np.zeros(now.runs, dtype=bool), np.zeros(now.runs, dtype=bool)
    panels, heads = [_pairs([], [])], [_heads({}, {})]
    if earlier is not None:
        component[clean] = earlier.own[clean]
        at = earlier.at[clean]
        first[clean], last[clean] = earlier.first[at], earlier.last[at]
        held = earlier.held(clean)
        for parts, frame in ((panels, earlier.kept.panels), (heads, earlier.kept.heads)):
            parts.append(frame.loc[held[frame["component"].to_numpy()]])
    if batch is not None:
        base = int(component.max(initial=-1)) + 1
        own = base + batch.components()
        component[batch.runs] = own
        first[batch.runs], last[batch.runs] = batch.surely_first, batch.surely_last
        run, panel = np.divmod(batch.touched, max(batch.panels, 1))
        pair = columns.distinct(own[run] * max(batch.panels, 1) + panel)
        panels.append(_pairs(*np.divmod(pair, max(batch.panels, 1))))
        counted = Counter[tuple[int, str]]()
        for (number, head), count in batch.heads.items():
            counted[int(own[number]), head] += count
        total = Counter(batch.elsewhere)
        for (_, head), count in batch.heads.items():
            total[head] += count
        heads.append(_heads(counted, total))
    runs = pd.DataFrame(
        {
            "run_id": pd.Series(now.names, dtype="str"), "digest": now.digest.view(np.int64),
            "component": component, "records": now.count, "previous": now.previous,
            "surely_first": first, "surely_last": last, "told": np.full(now.runs, now.told),
        }
    )  # fmt: skip
    known = np.flatnonzero(~np.isnan(proof.total))
    proofs = {"row": known, "total": proof.total[known]}
    proofs |= dict(zip(evidence.TERMS, proof.terms[known].T, strict=True))
    touched = pd.concat(panels, ignore_index=True)
    return Remembered(
        runs, touched, pd.concat(heads, ignore_index=True), now.marked(touched),
        pd.DataFrame({name: _compact(getattr(found, name)) for name in outcome.FIELDS}),
        pd.DataFrame(proofs),
    )  # fmt: skip


def _compact(values: np.ndarray) -> object:
    if values.dtype == object:
        codes, texts = pd.factorize(values)
        return pd.Categorical.from_codes(codes, pd.Index(texts, dtype="str"))
    return values.astype(np.int32) if values.dtype == np.int64 else values


def _pairs(component: object, panel: object) -> pd.DataFrame:
    return pd.DataFrame({"component": component, "panel": panel}, dtype=np.int64)


def _heads(counted: Mapping[tuple[int, str], int], total: Mapping[str, int]) -> pd.DataFrame:
    listed = sorted(counted.items())
    return pd.DataFrame(
        {
            "component": np.array([own for (own, _), _ in listed], dtype=np.int64),
            "head": pd.Series([head for (_, head), _ in listed], dtype="str"),
            "count": np.array([count for _, count in listed], dtype=np.int64),
            "often": np.array(
                [candidates.often(head, total[head]) for (_, head), _ in listed], bool
            ),
        }
    )
