"""Tables of links by column: what is put comes back, whole and link by link."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import arrow, blocks
from ingest.errors import Damaged
from ingest.schema import BLOCKS
from rules import tables

LINKS = st.lists(st.sampled_from(["", "A-1", "A-2", "a-1", "B", "é", "Ω-1", "=1"]), max_size=40)


def made(links: list[str]) -> pd.DataFrame:
    """Make test states whose place says in which order they were put."""
    count = len(links)
    return tables.conform(
        pd.DataFrame({"link_id": links, "position": range(count), "why": ['ä, "b"'] * count}),
        BLOCKS["test_states"],
    )


@contextmanager
def opened() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        connection.execute(
            "CREATE TABLE derived_block (name TEXT, first TEXT, data BLOB, "
            "PRIMARY KEY (name, first)) STRICT"
        )
        yield connection


@settings(derandomize=True, max_examples=60)
@given(LINKS, st.sampled_from([1, 2, 3, 100]))
def test_a_link_finds_its_rows_in_the_order_in_which_they_were_put(
    links: list[str], size: int
) -> None:
    with opened() as one, pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "_ROWS", size)
        put = made(links)
        blocks.put(one, "test_states", put)
        blocks.put(one, "test_states", put)  # in place of the rows before
        for link in {*links, "", "never", "A", "~"}:
            found = blocks.of_link(one, "test_states", link)
            wanted = put.loc[put["link_id"] == link].to_dict("records")
            assert found == wanted
        whole = put.sort_values("link_id", kind="stable", ignore_index=True)
        stored = tables.spelled(blocks.frame(one, "test_states"))
        pd.testing.assert_frame_equal(stored, tables.spelled(whole))
        assert list(blocks.rows(one, "test_states")) == list(
            whole.itertuples(index=False, name=None)
        )
        assert blocks.distinct(one, "test_states", ["link_id", "why"]) == sorted(
            set(zip(put["link_id"], put["why"], strict=True))
        )


def test_absent_numbers_are_none_and_flags_are_numbers() -> None:
    with opened() as connection:
        grades = pd.DataFrame({"link_id": ["A"], "loss_db": [float("nan")], "marginal": [True]})
        blocks.put(connection, "grades", grades)
        (row,) = blocks.of_link(connection, "grades", "A")
        assert row["loss_db"] is None and row["marginal"] == 1 and row["limit_confirmed"] == 0
        assert list(row) == list(BLOCKS["grades"])
        part = blocks.frame(connection, "grades", ["marginal", "loss_db"])
        assert list(part) == ["marginal", "loss_db"] and part["loss_db"].isna().all()


def test_damaged_columns_are_named() -> None:
    with opened() as connection:
        blocks.put(connection, "grades", pd.DataFrame({"link_id": ["A"]}))
        (data,) = connection.execute("SELECT data FROM derived_block").fetchone()
        for torn in (data[: len(data) // 2], data[:-1] + b"x", b"", None, "text"):
            with pytest.raises(Damaged, match="The table grades by column cannot be read"):
                arrow.unpack("The table grades", torn)
