"""Which parts of a job share nothing, so that each may be evaluated by itself.

A region is some dumps and some cells of the plan. Dumps belong together that share a meter, a
source or a run sheet; links belong to one cell that share a panel, a cable or a pair; and a dump
belongs to every cell near which one of its records may stand. Whatever the rules add up is added
up over one of these. What is not, a part leaves to the whole (`parts.of_job`); and names of panels
that the plan lacks count over the whole job (`pairing.Lost`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

from rules import columns, ends, sheets, tables
from rules.columns import Ints
from rules.pairing import Ground, Pairing

CARRIED: tables.Columns = {
    "dump_sha256": "text", "dump_name": "text", "meter_serial": "text", "source_serial": "text",
}  # fmt: skip
"""Meters and sources whose readings a dump holds; each combination once."""
TIES: tables.Columns = {"one": "text", "other": "text"}
"""Pairs of things that belong to one region: `dump SHA256`, `meter SERIAL`, `source SERIAL`,
`sheet ID`, `cell NUMBER`."""


def cells(ground: Ground) -> Ints:
    """Return the number of each link's cell, from 0 in the order of the plan."""
    links = ground.plan.links
    if links.empty:
        return np.zeros(0, dtype="int64")
    parts = [_panels(ground, pairs=False), columns.numbers(ends.cable(links))]
    if (links["pair"] != "").any():
        own = columns.combined(*(columns.numbers(links[name]) for name in ("cable", "pair")))
        parts += [_panels(ground, pairs=True), np.where(links["pair"] == "", -1, own)]
    key = columns.compound(*parts)
    first = np.flatnonzero(~pd.Series(key).duplicated())
    nodes, begin = [], 0
    for part in parts:
        nodes.append(np.where(part[first] >= 0, part[first] + begin, -1))
        begin += int(part.max()) + 1
    label = _components(begin, [(nodes[0], node) for node in nodes[1:]])[parts[0]]
    return pd.factorize(label)[0].astype("int64")


def _panels(ground: Ground, *, pairs: bool) -> Ints:
    """Return the panel of each link in a grid, −1 where it has none there."""
    grid = ground.grid(pairs=pairs)
    out = np.full(len(ground.plan.links), -1, dtype="int64")
    if not pairs:
        out[grid.site] = grid.panel
        return out
    first = ground.place.links
    for site, panel in zip(grid.site.tolist(), grid.panel.tolist(), strict=True):
        for link in ground.place.fibres[site - first].values():
            out[link] = panel
    return out


def _components(size: int, pairs: Sequence[tuple[Ints, Ints]]) -> Ints:
    """Number the connected parts of a graph; pairs with −1 join nothing."""
    one = np.concatenate([a for a, _ in pairs])
    other = np.concatenate([b for _, b in pairs])
    both = (one >= 0) & (other >= 0)
    graph = sparse.coo_matrix((np.ones(both.sum()), (one[both], other[both])), shape=(size, size))
    return np.asarray(csgraph.connected_components(graph, directed=False)[1], dtype="int64")


def of_dumps(held: pd.DataFrame, run_sheets: pd.DataFrame) -> pd.DataFrame:
    """Tie dumps (CARRIED) to their meters and sources, and run sheets to all that they name.

    A dump without a serial number may be of any such meter: they all share the empty name.
    """
    dump = "dump " + held["dump_sha256"]
    sourced = held["source_serial"] != ""
    said = [
        pd.DataFrame({"one": dump, "other": "meter " + held["meter_serial"]}),
        pd.DataFrame(
            {"one": dump.loc[sourced], "other": "source " + held["source_serial"].loc[sourced]}
        ),
    ]
    names = held[["dump_sha256", "dump_name"]].drop_duplicates()
    for row in run_sheets.to_dict("records"):
        sheet = f"sheet {row['sheet_id']}"
        tied = [f"dump {one}" for one in sheets.may_name(names, row["dump"])] if row["dump"] else []
        if row["meter_serial"] or not row["dump"]:
            tied.append(f"meter {row['meter_serial']}")
        tied += [f"source {row['source_serial']}"] * bool(row["source_serial"])
        # one that names nothing known stands by itself
        said.append(pd.DataFrame({"one": sheet, "other": tied or [sheet]}))
    return tables.conform(pd.concat(said, ignore_index=True), TIES)


def _joined(ties: pd.DataFrame) -> pd.DataFrame:
    """Return every thing that TIES name beside the number of its region: `thing`, `region`."""
    number, things = pd.factorize(pd.concat([ties["one"], ties["other"]], ignore_index=True))
    half = len(ties)
    label = _components(len(things), [(number[:half], number[half:])])
    return pd.DataFrame({"thing": pd.Series(things, dtype="str"), "region": label})


def grouped(ties: pd.DataFrame) -> list[dict[str, list[str]]]:
    """Return what TIES join: the names of each kind."""
    out = []
    for _, things in _joined(ties).groupby("region", sort=True)["thing"]:
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
    # neighbours mostly agree: few rows are left to be told apart
    fresh = np.flatnonzero(columns.starts(key)) if len(key) else key
    first = fresh[~pd.Series(key[fresh]).duplicated().to_numpy()]
    return pd.DataFrame(
        {
            name: pd.array(texts[number[first]], dtype="str")
            for name, (number, texts) in zip(frame, found, strict=True)
        }
    )


def numbers(things: pd.Series, kind: str) -> Ints:
    """Return the numbers of things of one kind, each once."""
    mine = things.loc[things.str.startswith(f"{kind} ")]
    found: Ints = mine.str.slice(len(kind) + 1).to_numpy(dtype="int64")
    return columns.distinct(found)


def by_label(ground: Ground, cells: Ints, typed: pd.DataFrame) -> pd.DataFrame:
    """Tie dumps to the cells of the links that their labels are the names of.

    cells: of each link of the plan. typed: dump_sha256 and label.
    """
    row = columns.positions(ground.plan.links["link_id"], typed["label"])
    found = row >= 0
    dump, dumps = columns.codes(typed["dump_sha256"].loc[found])
    size = int(cells.max(initial=0)) + 1
    dump, cell = np.divmod(columns.distinct(dump * size + cells[row[found]]), size)
    one = "dump " + pd.Series(dumps, dtype="str").take(dump).reset_index(drop=True)
    return pd.DataFrame({"one": one, "other": _named("cell", cell)})


def by_evidence(
    ground: Ground, cells: Ints, working: pd.DataFrame, paired: Pairing
) -> pd.DataFrame:
    """Tie dumps to the cells near which their records may stand, or to which they were placed.

    cells: of each link of the plan.
    """
    runs, links = paired.near(ground)
    own = _distinct(working[["run_id", "dump_sha256"]])
    beside = own.merge(runs, on="run_id")
    cell = cells[links["link"]]
    said = (
        ("dump " + beside["dump_sha256"], "component " + beside["component"]),
        (_named("cell", cell), "component " + links["component"]),
        _placed(cells, paired, columns.distinct(cell), own["dump_sha256"]),
    )
    frames = [pd.DataFrame({"one": a, "other": b}).drop_duplicates() for a, b in said]
    return tables.conform(pd.concat(frames, ignore_index=True), TIES)


def _placed(
    cells: Ints, paired: Pairing, near: Ints, dumps: Iterable[str]
) -> tuple[pd.Series, pd.Series]:
    """Tie dumps to the cells where people placed their readings, far from all evidence."""
    known = np.zeros(int(cells.max(initial=-1)) + 2, dtype="bool")
    known[near] = known[-1] = True  # the last is no cell
    cell = np.append(cells, -1)[paired.link]
    far = np.flatnonzero(~known[cell])
    short = {dump[:16]: f"dump {dump}" for dump in dumps}
    heads = paired.pairs["reading_id"].take(far).str.slice(0, 16).map(short)
    return heads.reset_index(drop=True), _named("cell", cell[far])
