"""Results in the store: the derived tables of a whole job written, or those of some regions."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ingest import arrow, blockwriter, frames, linkstates, memory, pairings, store, territory
from ingest.blockwriter import Block
from ingest.judged import Outcome
from ingest.schema import BLOCKS, DERIVED, KEYED_BY_ROW
from ingest.territory import WHOLE
from rules import completion, retests, tables
from rules.columns import Ints, among, positions
from rules.evaluation import Evaluation, Results
from rules.parts import Part

Tables = Mapping[str, Callable[[], pd.DataFrame]]
"""What makes each table of BLOCKS and DERIVED, one at a time."""

_OWNED: Mapping[str, tuple[str, str]] = {
    "runs": ("run_id", "run"), "findings": ("finding_id", "finding"),
    "questions": ("question_id", "question"), "balance": ("dump_sha256", "dump"),
}  # fmt: skip
"""Derived tables by row: the column that names a row, and which table of HELD has its owner."""
_BY_LINK = ("link_states", "retests")
"""Derived tables by row whose rows go with their links."""


def _tables(made: Results, ids: pd.Series, numbers: Any) -> Tables:
    """Name what makes the tables of a part or of the whole.

    `ids` are its readings and `numbers` their rows in the store: the rules put readings into an
    order of their own.
    """

    def rows_of(frame: pd.DataFrame) -> Any:
        return np.asarray(numbers).take(positions(ids, frame["reading_id"]))

    def link_rows() -> pd.DataFrame:
        linked = (made.pairs["link_id"] != "").to_numpy()
        rows = rows_of(made.pairs)[linked]
        return pd.DataFrame({"link_id": made.pairs["link_id"].array[linked], "row": rows})

    own: dict[str, Callable[[], pd.DataFrame]] = {
        "reading_state": lambda: made.readings.assign(row=rows_of(made.readings)),
        "pairs": lambda: made.pairs.assign(row=rows_of(made.pairs)),
        "link_rows": link_rows,
        "link_states": lambda: linkstates.count(made.test_states, made.grades),
        "retests": lambda: made.retests.assign(step=retests.steps(made.retests)),
    }

    def given(name: str) -> Callable[[], pd.DataFrame]:
        return lambda: getattr(made, name)

    return {name: own.get(name) or given(name) for name in (*BLOCKS, *DERIVED)}


def put_whole(
    connection: sqlite3.Connection, made: Evaluation, ids: pd.Series, numbers: Any
) -> None:
    """Replace all derived tables, inside the caller's transaction; nothing is left to build on.

    `ids` are the readings, `numbers` their rows in the store.
    """
    makers = _tables(made, ids, numbers)
    for name in BLOCKS:
        memory.give_back()  # what the table before took on its way
        blockwriter.put(connection, name, makers[name]())
    for name, columns in DERIVED.items():
        connection.execute(f"DELETE FROM derived_{name}")
        _insert(connection, name, tables.conform(makers[name](), columns))
    pairings.forget(connection)
    territory.keep(connection, None)
    store.put_meta(connection, "planned", str(len(made.planned)))


@dataclass(frozen=True)
class Packed:
    """The tables of a part as they lie in the store: a tenth of the memory."""

    blocks: Mapping[str, tuple[Block, ...]]
    rows: Mapping[str, bytes]
    """Those kept by row, each an Arrow stream."""


def pack(
    part: Part, ids: pd.Series, numbers: Ints, stands: pd.Series[Any], begins: pd.Series[Any]
) -> Packed:  # fmt: skip
    """Write the tables of a part down; `ids` and `numbers` as `put_whole` takes them.

    `stands` are links of which all that is written stands: they are left out. No block reaches
    over the beginning of a stretch of links (`begins`), where those of others may lie.
    """
    makers = _tables(part, ids, numbers)

    def made(name: str) -> pd.DataFrame:
        frame = makers[name]()
        if len(stands) and ((name in BLOCKS and name not in KEYED_BY_ROW) or name in _BY_LINK):
            return frame.loc[~among(frame["link_id"], stands)]
        return frame

    return Packed(
        {name: tuple(blockwriter.pack(name, made(name), begins)) for name in BLOCKS},
        {
            name: arrow.pack(arrow.table(tables.conform(made(name), columns)))
            for name, columns in DERIVED.items()
            if name != "completion"
        },
    )


def put_parts(connection: sqlite3.Connection, found: Outcome, questions: pd.DataFrame) -> None:
    """Replace the rows of regions that changed, inside the caller's transaction.

    `questions` are those that are asked once in the whole job.
    """
    if found.whole:
        _clear(connection)
    else:
        _take_out(connection, found)
    for made in found.made:
        packed: Packed = made.packed
        for name, blocks in packed.blocks.items():
            blockwriter.put_in(connection, name, blocks)
        for name, data in packed.rows.items():
            rows = arrow.unpack(f"The table {name}", data).to_pandas()
            _insert(connection, name, tables.conform(rows, DERIVED[name]))
        for region in made.regions:
            pairings.keep(connection, region, made.memories.get(region))
    whole = {
        "finding": found.findings.assign(region=WHOLE),
        "question": questions.assign(region=WHOLE),
    }
    _insert(connection, "findings", found.findings)
    _insert(connection, "questions", questions)
    summed = completion.total(found.now.all("completion"))
    connection.execute("DELETE FROM derived_completion")
    _insert(connection, "completion", summed)
    planned = int(found.now.held["region"]["planned"].sum())
    territory.keep(connection, found.now.plus(whole))
    store.put_meta(connection, "planned", str(planned))


def _clear(connection: sqlite3.Connection) -> None:
    """Take everything out: nothing of an earlier evaluation stands."""
    connection.execute("DELETE FROM derived_block")
    for name in DERIVED:
        connection.execute(f"DELETE FROM derived_{name}")


def _take_out(connection: sqlite3.Connection, found: Outcome) -> None:
    """Take out the rows of regions that are made anew or are no more, and what is asked once."""
    links, rows = _links(found), _rows(connection, found)
    for name in BLOCKS:
        gone: Any = rows if name in KEYED_BY_ROW else links
        if len(gone):
            blockwriter.replace(connection, name, tables.empty(BLOCKS[name]), gone)
    for region in (*found.gone, WHOLE):
        for name, (column, held) in _OWNED.items():
            ids = found.before.of(held, region)[column]
            frames.delete(connection, f"derived_{name}", column, ids.to_list())
        pairings.keep(connection, region, None)
    for name in _BY_LINK:
        frames.delete(connection, f"derived_{name}", "link_id", links.to_list())


def _links(found: Outcome) -> pd.Series[Any]:
    """Return the links that regions held before that are made anew or are no more."""
    cells = [found.before.of("cell", region)["cell"].to_numpy() for region in found.gone]
    gone = np.setdiff1d(np.concatenate([np.zeros(0, "int64"), *cells]), found.standing)
    held = np.isin(found.before.cells, gone)
    return found.plan.links["link_id"].loc[held]


def _rows(connection: sqlite3.Connection, found: Outcome) -> Ints:
    """Return the row numbers of the readings of such regions."""
    dumps = [found.before.of("dump", region)["dump_sha256"] for region in found.gone]
    numbered = [
        np.arange(first, last + 1)
        for sha256 in dict.fromkeys(one for part in dumps for one in part)
        for first, last in connection.execute(
            "SELECT first_row, last_row FROM dump WHERE sha256 = ?", (sha256,)
        )
    ]
    return np.concatenate([np.zeros(0, dtype="int64"), *numbered])


def _insert(connection: sqlite3.Connection, name: str, rows: pd.DataFrame) -> None:
    frames.insert(connection, f"derived_{name}", rows, DERIVED[name])
