"""Tables of links by column: what is put comes back, whole and link by link."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import chain, pairwise
from random import Random
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import arrow, blocks, blockwriter
from ingest.errors import Damaged
from ingest.schema import BLOCKS, KEYED_BY_ROW
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
        patch.setattr(blockwriter, "_ROWS", size)
        put = made(links)
        blockwriter.put(one, "test_states", put)
        blockwriter.put(one, "test_states", put)  # in place of the rows before
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
        blockwriter.put(connection, "grades", grades)
        (row,) = blocks.of_link(connection, "grades", "A")
        assert row["loss_db"] is None and row["marginal"] == 1 and row["limit_confirmed"] == 0
        assert list(row) == list(BLOCKS["grades"])
        part = blocks.frame(connection, "grades", ["marginal", "loss_db"])
        assert list(part) == ["marginal", "loss_db"] and part["loss_db"].isna().all()


def test_damaged_columns_are_named() -> None:
    with opened() as connection:
        blockwriter.put(connection, "grades", pd.DataFrame({"link_id": ["A"]}))
        (data,) = connection.execute("SELECT data FROM derived_block").fetchone()
        for torn in (data[: len(data) // 2], data[:-1] + b"x", b"", None, "text"):
            with pytest.raises(Damaged, match="The table grades by column cannot be read"):
                arrow.unpack("The table grades", torn)


KEYS: dict[str, tuple[str, list[Any]]] = {
    "test_states": ("link_id", ["", "A-1", "A-2", "A-10", "a-1", "B", "é", "Ω-1", "=1", "𝄞"]),
    "pairs": ("row", [1, 2, 3, 9, 10, 11, 99, 100, 12_345, 12_346]),
}
"""A table by link and one by row: the column of its key, and keys."""


def rows_of(name: str, keys: list[Any], first: int) -> pd.DataFrame:
    """Make rows that can be told apart; texts are few in some columns and many in others."""
    count = len(keys)
    column = "position" if name == "test_states" else "wavelength_nm"
    cells = {
        KEYS[name][0]: pd.Series(keys, dtype="str" if name == "test_states" else "int64"),
        column: range(first, first + count),
        "kind": ["attenuation", "power"][first % 2],
        ("why" if name == "test_states" else "reason"): [f"because {n}" for n in range(count)],
    }
    return tables.conform(pd.DataFrame(cells), BLOCKS[name])


def stored(connection: sqlite3.Connection, name: str) -> dict[str, bytes]:
    found = connection.execute(
        "SELECT first, data FROM derived_block WHERE name = ? ORDER BY first", (name,)
    )
    return dict(found.fetchall())


def held(name: str, data: bytes) -> list[Any]:
    return list(arrow.unpack(name, data)[KEYS[name][0]].to_pylist())


def spelled_key(name: str, key: Any) -> str:
    return f"{key:015d}" if name in KEYED_BY_ROW else str(key)


@st.composite
def changes(draw: st.DrawFn) -> tuple[str, list[tuple[list[Any], list[Any]]]]:
    """Draw a table, and for some changes the keys of the rows that come and those that go."""
    name = draw(st.sampled_from(sorted(KEYS)))
    key = st.sampled_from(KEYS[name][1])
    one_each = name in KEYED_BY_ROW
    come, go = st.lists(key, max_size=20, unique=one_each), st.lists(key, max_size=5)
    return name, draw(st.lists(st.tuples(come, go), min_size=2, max_size=5))


@settings(derandomize=True, max_examples=150, deadline=None)
@given(changes(), st.sampled_from([1, 2, 4, 100]), st.sampled_from([1, 2]), st.sampled_from([2, 9]))
def test_a_table_changed_in_part_is_as_if_it_were_put_whole(
    drawn: tuple[str, list[tuple[list[Any], list[Any]]]], size: int, together: int, few: int
) -> None:
    name, steps = drawn
    column = KEYS[name][0]
    with opened() as one, opened() as other, pytest.MonkeyPatch.context() as patch:
        patch.setattr(blockwriter, "_ROWS", size)
        patch.setattr(blockwriter, "_TOGETHER", together)
        patch.setattr(arrow, "SHARED", few)
        model = tables.spelled(tables.empty(BLOCKS[name]))
        for number, (come, go) in enumerate(steps):
            frame = rows_of(name, come, 100 * number)
            before = stored(one, name)
            blockwriter.replace(one, name, frame, go)
            kept = model.loc[~model[column].isin([*come, *go])]
            model = pd.concat([kept, tables.spelled(frame)], ignore_index=True)
            model = model.sort_values(column, kind="stable", ignore_index=True)
            blockwriter.put(other, name, tables.conform(model, BLOCKS[name]))

            found = tables.spelled(blocks.frame(one, name))
            pd.testing.assert_frame_equal(found, tables.spelled(model))
            assert list(blocks.rows(one, name)) == list(blocks.rows(other, name))
            if name in KEYED_BY_ROW:
                everything = KEYS[name][1]
                assert blocks.of_rows(one, name, everything) == blocks.of_rows(
                    other, name, everything
                )
                assert list(blocks.between(one, name, 3, 99)) == list(
                    blocks.between(other, name, 3, 99)
                )
            else:
                for key in KEYS[name][1]:
                    assert blocks.of_link(one, name, key) == blocks.of_link(other, name, key)

            after = stored(one, name)
            keys = [held(name, data) for data in after.values()]
            assert [spelled_key(name, block[0]) for block in keys] == list(after)
            assert all(one[-1] < other[0] for one, other in pairwise(keys))
            most = max((block.count(key) for block in keys for key in block), default=1)
            assert all(len(block) < size + most for block in keys)
            if most == 1 and len(keys) > 1:
                assert all(2 * len(block) >= size for block in keys)

            touched = touched_by(name, before, come, go)
            changed = {first for first, data in before.items() if after.get(first) != data}
            assert len(changed - touched) <= (len(touched) if size > 1 else 0)


def touched_by(name: str, before: dict[str, bytes], come: list[Any], go: list[Any]) -> set[str]:
    """Return the keys of the blocks that hold a key that goes, or into which one comes."""
    out = {first for first, data in before.items() if set(held(name, data)) & {*come, *go}}
    firsts = list(before)
    for key in (spelled_key(name, key) for key in come):
        out.update([first for first in firsts if first <= key][-1:] or firsts[:1])
    return out


def test_blocks_that_a_change_does_not_touch_keep_their_bytes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(blockwriter, "_ROWS", 10)
    links = [f"L{number:03d}" for number in range(100)]
    with opened() as connection:
        blockwriter.put(connection, "test_states", made(links))
        before = stored(connection, "test_states")
        assert list(before) == links[::10]
        # what need not be opened may even be damaged
        connection.execute("UPDATE derived_block SET data = x'00' WHERE first NOT LIKE 'L04%'")
        blockwriter.replace(
            connection, "test_states", made(["L041", "L042x", "L044"]), ["L041", "L044", "L047"]
        )
        after = stored(connection, "test_states")
        assert {first for first in before if after[first] != b"\x00"} == {"L040"}
        assert held("test_states", after["L040"]) == [
            "L040", "L041", "L042", "L042x", "L043", "L044", "L045", "L046", "L048", "L049",
        ]  # fmt: skip


def test_a_key_that_no_block_holds_leaves_all_as_it_is() -> None:
    with opened() as connection:
        blockwriter.put(connection, "test_states", made(["A", "C"]))
        connection.execute("CREATE TABLE written (first TEXT)")
        for act in ("INSERT", "DELETE", "UPDATE"):
            connection.execute(
                f"CREATE TRIGGER after_{act} AFTER {act} ON derived_block "
                "BEGIN INSERT INTO written VALUES (''); END"
            )
        nothing = tables.empty(BLOCKS["test_states"])
        for gone in (["B"], [], pd.Series(["", "D"], dtype="str")):
            blockwriter.replace(connection, "test_states", nothing, gone)
        assert connection.execute("SELECT count(*) FROM written").fetchone() == (0,)
        blockwriter.replace(connection, "test_states", nothing, ["A", "C"])
        assert stored(connection, "test_states") == {}


def test_small_rests_join_their_neighbours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blockwriter, "_ROWS", 10)
    links = [f"L{number:03d}" for number in range(100)]
    with opened() as connection:
        blockwriter.put(connection, "test_states", made(links))
        none = tables.empty(BLOCKS["test_states"])
        for at in range(0, 100, 10):  # two links are left of each ten
            blockwriter.replace(connection, "test_states", none, links[at + 2 : at + 10])
        left = [held("test_states", data) for data in stored(connection, "test_states").values()]
        assert list(chain.from_iterable(left)) == [link for link in links if link[-1] in "01"]
        assert len(left) <= 4


def test_a_change_names_a_damaged_block_and_another_place() -> None:
    with opened() as connection:
        for harm in ("data = x'00'", "first = 'B'"):
            blockwriter.put(connection, "test_states", made(["A", "C"]))
            connection.execute(f"UPDATE derived_block SET {harm}")
            with pytest.raises(Damaged, match="The table test_states by column cannot be read"):
                blockwriter.replace(connection, "test_states", made(["C"]), ["C"])


@settings(derandomize=True, max_examples=60, deadline=None)
@given(
    st.lists(st.sampled_from("abcdefghijkl"), unique=True, min_size=1), st.integers(1, 3),
    st.integers(1, 4), st.randoms(use_true_random=False),
)  # fmt: skip
def test_regions_put_in_one_by_one_are_as_if_put_whole(
    keys: list[str], parts: int, size: int, random: Random
) -> None:
    """Whatever links regions have, between those of others or not, the table is the same."""
    whole = made(sorted(keys) * 2)
    owner = {key: random.randrange(parts) for key in keys}
    with pytest.MonkeyPatch.context() as patch, opened() as one, opened() as other:
        patch.setattr(blockwriter, "_ROWS", size)
        patch.setattr(blockwriter, "_LEAST", random.choice((1, 100)))
        blockwriter.put(other, "test_states", whole)
        for part in range(parts):
            mine = whole.loc[whole["link_id"].astype("str").map(owner) == part]
            begins = pd.Series([k for k in keys if random.random() < 0.5], dtype="str")
            blockwriter.put_in(one, "test_states", blockwriter.pack("test_states", mine, begins))
        assert list(blocks.rows(one, "test_states")) == list(blocks.rows(other, "test_states"))
        for key in keys:
            found = (blocks.of_link(each, "test_states", key) for each in (one, other))
            assert next(found) == next(found)
