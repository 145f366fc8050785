"""What each region of a job holds, and what it leaves to be asked in the whole (`rules.regions`).

It lies in the store beside the derived tables, so that the next evaluation knows what stands. What
is damaged or of another form is as good as none: everything is then evaluated anew.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ingest import arrow
from ingest.errors import Damaged
from rules import grade_findings, regions, suspicions, tables
from rules.causes import Wide
from rules.columns import Ints
from rules.pairing import Lost
from rules.scope import CONCERNED

_NAME = "region"
"""What its blocks in `derived_block` are called, and then which of its tables they hold."""
_CELLS = "cells of links"

HELD: Mapping[str, tables.Columns] = {
    "region": {"digest": "text", "planned": "int", "readings": "int"},
    "dump": regions.CARRIED,
    "sheet": {"sheet_id": "text"},
    "cell": {"cell": "int", "told": "text"},
    "run": {"run_id": "text"},
    "finding": {"finding_id": "text"},
    "question": {"question_id": "text"},
    "head": {"fibres": "int", "head": "text", "count": "int", "elsewhere": "int"},
    "completion": tables.COMPLETION,
    "wide": suspicions.FOUND,
    "concerned": CONCERNED,
    "lacking": grade_findings.LACKED,
}
"""Tables of a row per thing that a region holds; each has the column `region` before these. `told`
is the digest of what people said of links of a cell that nothing was measured near."""
WHOLE = ""
"""The region that holds what is asked once in the whole job."""


@dataclass(frozen=True)
class Territory:
    """All regions of a job: what they were evaluated on, and HELD by name."""

    ground: str
    """Digest of what all of them rest on (`ingest.partwise`)."""
    cells: Ints
    """The cell of each link of the plan."""
    held: Mapping[str, pd.DataFrame]

    def names(self) -> list[str]:
        """Return the regions."""
        return self.held["region"]["region"].to_list()

    def all(self, name: str) -> pd.DataFrame:
        """Return the rows of a table, without the name of their region."""
        return self.held[name][list(HELD[name])]

    def of(self, name: str, region: str) -> pd.DataFrame:
        """Return the rows of a table that belong to a region, without its name."""
        mine = (self.held[name]["region"] == region).to_numpy()
        return self.all(name).loc[mine].reset_index(drop=True)

    def digests(self) -> dict[str, str]:
        """Return the digest of what each region depends on."""
        frame = self.held["region"]
        return dict(zip(frame["region"], frame["digest"], strict=True))

    def cells_of(self) -> dict[str, Ints]:
        """Return the cells of each region that has any."""
        by = self.held["cell"].groupby("region")["cell"]
        return {str(region): cells.to_numpy(dtype=np.int64) for region, cells in by}

    def links_of(self, cells: Ints) -> Ints:
        """Return the links (rows of the plan) of some cells."""
        wanted = np.zeros(int(self.cells.max(initial=-1)) + 1, dtype="bool")
        wanted[cells] = True
        return np.flatnonzero(wanted[self.cells])

    def without(self, gone: Collection[str]) -> Territory:
        """Return it without some regions."""
        going = {name: frame["region"].isin(gone) for name, frame in self.held.items()}
        kept = {n: self.held[n].loc[~rows] for n, rows in going.items() if rows.any()}
        return replace(self, held={**self.held, **kept})

    def plus(self, held: Mapping[str, pd.DataFrame]) -> Territory:
        """Return it with regions more: tables of HELD with the column `region`."""
        made = dict(self.held)
        for name, frame in held.items():
            if not len(frame):
                continue
            contract = {"region": "text", **HELD[name]}
            whole = [made[name], tables.conform(frame, contract)]
            made[name] = pd.concat(whole, ignore_index=True)
        return replace(self, held=made)

    def lost(self, region: str) -> tuple[Lost, Lost]:
        """Return what a region typed of names that the plan lacks, and what others did then."""
        heads = self.of("head", region)
        out: list[list[dict[str, int]]] = [[{}, {}], [{}, {}]]
        for fibres, head, count, elsewhere in heads.itertuples(index=False):
            out[0][fibres - 1][head] = count
            out[1][fibres - 1][head] = elsewhere
        return (out[0][0], out[0][1]), (out[1][0], out[1][1])

    def wide(self) -> Wide:
        """Return what all regions leave to be asked in the whole."""
        return Wide(self.all("wide"), self.all("concerned"))


def empty(ground: str, cells: Ints) -> Territory:
    """Return the territory of a job of which nothing was evaluated."""
    return Territory(ground, cells, {name: _empty(columns) for name, columns in HELD.items()})


def _empty(columns: tables.Columns) -> pd.DataFrame:
    return tables.empty({"region": "text", **columns})


def heads(lost: Lost, outer: Lost) -> pd.DataFrame:
    """Return the table `head` of a region."""
    rows = [
        (fibres, head, count, others.get(head, 0))
        for fibres, (own, others) in enumerate(zip(lost, outer, strict=True), start=1)
        for head, count in sorted(own.items())
    ]
    return tables.conform(pd.DataFrame(rows, columns=list(HELD["head"])), HELD["head"])


def load(connection: sqlite3.Connection) -> Territory | None:
    """Return what the last evaluation stored, None where that cannot be used."""
    found = dict(
        connection.execute(
            "SELECT first, data FROM derived_block WHERE name = ?", (_NAME,)
        ).fetchall()
    )
    try:
        said = {name: arrow.unpack(_NAME, data).to_pandas() for name, data in found.items()}
        held = {
            name: tables.conform(said[name], {"region": "text", **columns})
            for name, columns in HELD.items()
        }
        cells = said[_CELLS]["cell"].to_numpy(dtype=np.int64)
        return Territory(str(said["ground"]["ground"].iloc[0]), cells, held)
    except (Damaged, KeyError, IndexError):
        return None


def keep(connection: sqlite3.Connection, territory: Territory | None) -> None:
    """Replace what is kept, inside the caller's transaction."""
    connection.execute("DELETE FROM derived_block WHERE name = ?", (_NAME,))
    if territory is None:
        return
    made = {
        **territory.held,
        "ground": pd.DataFrame({"ground": [territory.ground]}),
        _CELLS: pd.DataFrame({"cell": territory.cells.astype(np.int32)}),
    }
    connection.executemany(
        "INSERT INTO derived_block (name, first, data) VALUES (?, ?, ?)",
        ((_NAME, name, arrow.pack(arrow.table(frame))) for name, frame in made.items()),
    )
