"""Regions that were evaluated together, and what each of them holds for the territory."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ingest import territory
from rules import division
from rules.columns import Ints
from rules.division import Held, Owners
from rules.evaluation import Plan
from rules.pairing import Memory

LOOSE = "sheets without readings"
"""The region of run sheets that no dump belongs to."""


@dataclass(frozen=True)
class Region:
    """A region by what it holds."""

    name: str
    dumps: frozenset[str]
    sheets: tuple[str, ...]
    cells: Ints


def unread(number: int) -> str:
    """Name a region of links that nothing was measured near."""
    return f"unread {number:04d}"


def is_read(name: str) -> bool:
    """Tell whether a region holds dumps: it is then called by the first of their hashes."""
    return " " not in name


def sole(made: Collection[Region]) -> Region:
    """Return one region in place of several, where one cannot tell whose everything is."""
    dumps = frozenset[str]().union(*(one.dumps for one in made))
    return Region(
        min(dumps) if dumps else min(one.name for one in made),
        dumps,
        tuple(sheet for one in made for sheet in one.sheets),
        np.unique(np.concatenate([one.cells for one in made])),
    )


def owners(plan: Plan, cells: Ints, made: Sequence[Region]) -> Owners:
    """Tell which region holds what, by its place among `made`.

    cells: of each link of `plan`, the plan of the part.
    """
    size = max((int(one.cells.max(initial=-1)) for one in made), default=-1) + 1
    owner = np.full(max(size, int(cells.max(initial=-1)) + 1), division.NOBODY, dtype="int64")
    for number, one in enumerate(made):
        owner[one.cells] = number
    return Owners(
        plan,
        {dump: number for number, one in enumerate(made) for dump in one.dumps},
        {sheet: number for number, one in enumerate(made) for sheet in one.sheets},
        owner[cells],
    )


def remembered(memory: Memory | None, made: Sequence[Region], held: Held) -> dict[str, Memory]:
    """Divide what pairing settled of a part among its regions."""
    if memory is None:
        return {}
    read = [number for number, one in enumerate(made) if one.dumps]
    if len(read) == 1:
        return {made[read[0]].name: memory}
    run = held["run"]
    return {
        made[number].name: memory.of_runs(run.loc[run["region"] == number, "run_id"].to_list())
        for number in read
    }


def written(
    made: Sequence[Region], held: Held, digests: Sequence[str], told: Sequence[Any],
    carried: pd.DataFrame, memories: Mapping[str, Memory],
    lost: tuple[Counter[str], Counter[str]],
) -> dict[str, pd.DataFrame]:  # fmt: skip
    """Return all that regions hold, by the names of `territory.HELD`.

    told: of each region what people said of its cells. carried: CARRIED of their dumps. lost: names
    that the plan lacks, as all records of the job typed them.
    """
    names = [one.name for one in made]

    def named(frame: pd.DataFrame) -> pd.DataFrame:
        number = frame["region"].to_numpy(dtype="int64")
        return frame.assign(region=pd.array(names, dtype="str").take(number))

    def counted(name: str) -> Ints:
        number = held[name]["region"].to_numpy(dtype="int64")
        return np.bincount(number, minlength=len(made)).astype("int64")

    owner = {dump: one.name for one in made for dump in one.dumps}
    heads = [territory.heads(({}, {}), ({}, {})).assign(region="")]
    for name, memory in memories.items():
        one, two = (every - Counter(own) for every, own in zip(lost, memory.lost, strict=True))
        heads.append(territory.heads(memory.lost, (one, two)).assign(region=name))
    own = {name: named(frame) for name, frame in held.items() if name in territory.HELD}
    return own | {
        "region": pd.DataFrame(
            {
                "region": names, "digest": digests, "planned": counted("planned"),
                "readings": counted("readings"),
            }
        ),
        "dump": carried.assign(region=carried["dump_sha256"].map(owner)),
        "sheet": pd.concat([_frame(one.name, sheet_id=list(one.sheets)) for one in made]),
        "cell": pd.concat(
            [_frame(one.name, cell=one.cells, told=of) for one, of in zip(made, told, strict=True)]
        ),
        "head": pd.concat(heads),
    }  # fmt: skip


def _frame(region: str, **values: Any) -> pd.DataFrame:
    """Return a table of one region; with a row for each value, none for an empty list."""
    return pd.DataFrame(values).assign(region=region)
