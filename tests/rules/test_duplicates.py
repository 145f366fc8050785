"""Copies: what a second dump of one memory repeats, and what only looks like it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import clocks, duplicates, tables
from rules.evaluation import Decisions
from rules.settings import Settings
from tests.rules.test_clocks import stored

NO_CLOCK = pd.Series([pd.NaT], dtype="datetime64[s]")[0]


def memory(name: str, slots: range, loss: list[float], clock: bool = True) -> pd.DataFrame:
    times = [f"2026-03-05 10:{slot:02d}" for slot in slots]
    table = stored(times).assign(
        dump_sha256=name * 64, dump_name=f"{name}.csv", slot=list(slots), loss_db=loss,
        label=[f"L{slot}" for slot in slots], arrived_at=f"2026-03-0{6 + ord(name) - 97}T00:00:00Z",
        reading_id=[f"{name}{slot}" for slot in slots],
    )  # fmt: skip
    if not clock:
        table = table.assign(taken_at=NO_CLOCK, clock="", clock_state="none")
    return tables.conform(table, tables.STORED)


def mark(*dumps: pd.DataFrame, decisions: Decisions | None = None) -> tuple[pd.DataFrame, ...]:
    working, _ = clocks.resolve(pd.concat(dumps, ignore_index=True), Settings())
    return duplicates.mark(working, decisions or Decisions())


def copies(working: pd.DataFrame) -> dict[str, str]:
    marked = working.loc[working["duplicate_of"] != ""]
    return dict(zip(marked["reading_id"], marked["duplicate_of"], strict=True))


LOSS = [0.31, 0.44, 0.52, 0.29, 0.61, 0.35, 0.47, 0.50]


def test_a_memory_dumped_again_and_again_counts_once() -> None:
    a, b, c = (memory(n, range(1, 1 + k), LOSS[:k]) for n, k in (("a", 4), ("b", 6), ("c", 8)))
    working, found, asked = mark(c, a, b)
    marked = copies(working)
    assert {r: marked[r] for r in ("b1", "c1", "c5")} == {"b1": "a1", "c1": "a1", "c5": "b5"}
    assert len(marked) == 4 + 6
    assert not len(found) and not len(asked)


def test_two_equal_rows_inside_one_dump_both_count() -> None:
    a = memory("a", range(1, 3), [0.3, 0.3]).assign(slot=-1, label="L", taken_at=pd.Timestamp(
        "2026-03-05 10:00").as_unit("s"))  # fmt: skip
    b = a.assign(dump_sha256="b" * 64, reading_id=["b1", "b2"], arrived_at="2026-03-09T00:00:00Z")
    working, _, _ = mark(a, b)
    assert copies(working) == {"b1": "a1", "b2": "a2"}


def test_arrival_decides_only_without_a_clock() -> None:
    early = memory("b", range(1, 4), LOSS[:3]).assign(arrived_at="2026-03-20T00:00:00Z")
    late = memory("a", range(1, 6), LOSS[:5]).assign(arrived_at="2026-03-06T00:00:00Z")
    assert set(copies(mark(early, late)[0])) == {"a1", "a2", "a3"}


def test_without_clocks_a_block_is_a_copy_and_a_lone_row_is_a_question() -> None:
    a = memory("a", range(1, 9), LOSS, clock=False)
    block = memory("b", range(1, 9), [*LOSS[:6], 0.99, 0.98], clock=False)
    assert set(copies(mark(a, block)[0])) == {f"b{i}" for i in range(1, 7)}
    lone = memory("b", range(1, 9), [9.0, 9.1, LOSS[2], 9.3, 9.4, 9.5, 9.6, 9.7], clock=False)
    working, found, asked = mark(a, lone)
    assert copies(working) == {}
    assert list(found["code"]) == ["repeat-unsure"] and list(found["reading_id"]) == ["b3"]
    assert list(asked["state"]) == ["open"]


def test_without_clocks_a_whole_short_dump_repeated_is_a_copy() -> None:
    a = memory("a", range(1, 9), LOSS, clock=False)
    b = memory("b", range(1, 4), LOSS[:3], clock=False)
    assert set(copies(mark(a, b)[0])) == {"b1", "b2", "b3"}


def test_one_result_under_two_labels_is_asked_and_the_answer_holds() -> None:
    a, b = memory("a", range(1, 6), LOSS[:5]), memory("b", range(1, 6), LOSS[:5])
    b = b.assign(label=b["label"].where(b["slot"] != 3, "L3X"))
    _, found, asked = mark(a, b)
    assert list(found["code"]) == ["repeat-relabelled"] and found["question_id"][0] != ""
    answer = pd.DataFrame(
        {"question_id": asked["question_id"], "action": "leave-out", "reading_ids": '["a3"]'}
    )
    decided = Decisions(tables.conform(answer, tables.ANSWERS))
    _, found, asked = mark(a, b, decisions=decided)
    assert not len(found) and list(asked["state"]) == ["answered"]


def test_the_order_of_dumps_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    parts = [memory(n, range(1, 1 + k), LOSS[:k], clock=n != "c") for n, k in
             (("a", 4), ("b", 8), ("c", 8))]  # fmt: skip
    expected = mark(*parts)
    for _ in range(5):
        mixed = pd.concat(parts, ignore_index=True).sample(frac=1.0, random_state=rng)
        for got, wanted in zip(mark(mixed), expected, strict=True):
            pd.testing.assert_frame_equal(got, wanted)
