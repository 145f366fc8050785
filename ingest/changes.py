"""Which regions of a job stand as they were evaluated, and what must be evaluated anew."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ingest.decided import Digests
from ingest.given import Given
from ingest.territory import Territory
from rules import regions
from rules.columns import Ints

TOGETHER = 250_000
"""Readings that are evaluated at once: more would take memory and save no time."""
SHARE = 170_000
"""Readings of a batch at most where there are several; each costs something by itself."""


@dataclass(frozen=True)
class Changes:
    """What stands, and groups of dumps that are no region yet or no longer as they were."""

    groups: tuple[frozenset[str], ...]
    stands: frozenset[str]
    """Regions with readings that depend on nothing that changed."""
    held: pd.DataFrame
    """CARRIED of every dump that counts, with the region that it was of."""
    sheets: Mapping[str, list[str]]
    """Run sheets by the first of the dumps that they belong with; "" for none."""

    def sheets_of(self, dumps: Collection[str]) -> list[str]:
        """Return the run sheets that belong with some dumps."""
        return sorted(s for first, ids in self.sheets.items() if first in dumps for s in ids)


def find(given: Given, before: Territory, digests: Digests) -> Changes:
    """Compare what is kept of a job with what its regions were evaluated on."""
    known = before.held["dump"]
    known = known.loc[known["dump_sha256"].isin(given.dumps)]
    # a dump that arrived again may go by another name since
    called = {dump: str(about[0]) for dump, about in given.dumps.items()}
    known = known.assign(dump_name=known["dump_sha256"].map(called).astype("str"))
    fresh = sorted(set(given.dumps) - set(known["dump_sha256"]))
    held = pd.concat([known, given.carried(fresh).assign(region="")], ignore_index=True)
    kept = pd.DataFrame(
        {"one": "dump " + known["dump_sha256"], "other": "region " + known["region"]}
    )
    ties = [regions.of_dumps(held, given.run_sheets.sheets), kept]
    then, cells = before.digests(), before.cells_of()
    none = np.zeros(0, dtype="int64")
    groups, stands = [], set[str]()
    sheets: dict[str, list[str]] = {}
    for by in regions.grouped(pd.concat(ties, ignore_index=True)):
        dumps, sheet_ids = frozenset(by.get("dump", ())), by.get("sheet", [])
        if sheet_ids:
            sheets.setdefault(min(dumps, default=""), []).extend(sorted(sheet_ids))
        if not dumps:
            continue
        name, *others = by.get("region", [""])
        links = before.links_of(cells.get(name, none))
        if not others and then.get(name) == digests.of(dumps, sheet_ids, links):
            stands.add(name)
        else:
            groups.append(dumps)
    return Changes(tuple(groups), frozenset(stands), held, sheets)


def batches(
    given: Given, cells: Ints, groups: Collection[frozenset[str]], processes: int
) -> list[frozenset[str]]:
    """Put groups of dumps together, as many as are evaluated at once.

    cells: of each link of the plan. processes: so many take batches, each as many as the others.
    """

    def size(dumps: Iterable[str]) -> int:
        return sum(given.sizes[dump] for dump in dumps)

    whole = sum(map(size, groups))
    if whole <= TOGETHER:
        return [frozenset().union(*groups)] if groups else []
    # of like size, and as many for each process
    share = whole / (processes * -(-whole // (processes * min(SHARE, TOGETHER))))
    out: dict[int, frozenset[str]] = {}
    before = 0
    for group in sorted(_named_alike(given, cells, groups), key=min):
        number = int((before + size(group) / 2) // share)
        out[number] = out.get(number, frozenset()) | group
        before += size(group)
    return list(out.values())


def _named_alike(
    given: Given, cells: Ints, groups: Collection[frozenset[str]]
) -> list[frozenset[str]]:
    """Join groups whose labels name the same places to the letter, as far as some of them tell.

    Who meets all the same is evaluated twice: this only saves time.
    """
    typed = given.some_labels([dump for group in groups for dump in group])
    ties = [regions.by_label(given.ground, cells, typed)]
    ties += [
        pd.DataFrame({"one": f"group {min(group)}", "other": [f"dump {d}" for d in group]})
        for group in groups
    ]
    found = regions.grouped(pd.concat(ties, ignore_index=True))
    return [frozenset(by["dump"]) for by in found if "dump" in by]
