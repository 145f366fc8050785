"""Readings that a later dump of the same memory repeats: marked, never removed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from rules import asking, clocks, suspicions
from rules.columns import (
    Flags,
    Floats,
    Ints,
    combined,
    compound,
    numbers,
    occurrence,
    ranked,
    starts,
    texts,
)
from rules.evaluation import Decisions

BLOCK_RECORDS = 5
"""Shortest run of equal records that counts as the same memory where no clock says so.
Common practice, no source."""
STEPS_PER_DB = 1000.0
"""Values are compared to 0.001 dB, the finest step in which results are kept."""
TIMED = ("ok", "ambiguous", "corrected")
"""Clock states whose printed time tells one record from another."""


def mark(
    working: pd.DataFrame, decisions: Decisions
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Add `duplicate_of`: the reading id of the first copy, empty for first copies.

    Takes and returns working rows in their order, with FOUND and QUESTIONS. Of two dumps the
    earlier is the one whose newest trusted clock is earlier, else the one that arrived earlier.
    With a clock the k-th equal row of a dump repeats the k-th of an earlier one; without, rows
    repeat only as a block of records; a lone equal record is a question.
    """
    if working.empty:
        return (working.assign(duplicate_of=working["label"]), suspicions.none(),
                asking.questions([]))  # fmt: skip
    rank = dump_ranks(working)
    meter = clocks.meter_codes(working, np.zeros(len(working), dtype="int64"))
    timed = working["clock_state"].isin(TIMED).to_numpy()
    clock = np.where(timed, clocks.seconds(working["taken_at"]), -1)
    slot = working["slot"].to_numpy()
    # without clock and slot the place in the file has to tell records apart
    place = np.where((slot < 0) & ~timed, -2 - working["record"].to_numpy(), slot)
    stamp = compound(meter, clock, place)
    rows = _shared(stamp, rank)
    if not len(rows):
        return (working.assign(duplicate_of=texts([""], rank * 0)), suspicions.none(),
                asking.questions([]))  # fmt: skip
    record = combined(rank, working["record"].to_numpy())
    some = working[[*VALUES, "label"]].take(rows)
    label, values, stamp = numbers(some["label"]), _values(some), ranked(stamp[rows])

    key = combined(stamp, label, values)
    before = _previous(combined(key, occurrence(combined(key, rank[rows]))), rank[rows])
    earlier = np.full(len(working), -1, dtype="int64")
    earlier[rows] = np.where(before >= 0, rows[before], -1)
    block = (earlier >= 0) & ~timed & _in_block(record, earlier, rank)
    certain = (earlier >= 0) & (timed | block)
    root = _roots(np.where(certain, earlier, -1))
    first = working["reading_id"].array.take(root, allow_fill=True, fill_value="")
    out = working.assign(duplicate_of=first)
    done = asking.settled(decisions)
    lone, asked = _lone(out, record, earlier, (earlier >= 0) & ~certain, done)
    single = timed & (root < 0)
    single[root[root >= 0]] = False
    among = single[rows]
    renamed, also = _renamed(
        out, rows[among], compound(stamp, values)[among], label[among], rank, record, done
    )
    return out, suspicions.join(lone, renamed), asking.questions([*asked, *also])


def _shared(stamp: Ints, rank: Ints) -> Ints:
    """Return the rows whose stamp stands in more than one dump: nothing else repeats anything."""
    if rank.max() == 0:
        return np.array([], dtype="int64")
    order = np.argsort(stamp, kind="stable")
    begins = starts(stamp[order])
    other = ~begins & np.append(False, np.diff(rank[order]) != 0)
    number = np.cumsum(begins) - 1
    mixed = np.bincount(number, weights=other) > 0
    return np.sort(order[mixed[number]])


def dump_ranks(working: pd.DataFrame) -> Ints:
    """Rank dumps from earlier to later: by newest trusted clock, else arrival, else hash."""
    dump = numbers(working["dump_sha256"], sort=True)
    newest = np.full(int(dump.max()) + 1, -np.inf)
    np.fmax.at(newest, dump, working["utc_s"].to_numpy())
    arrived = np.full(len(newest), np.inf)
    np.fmin.at(arrived, dump, clocks.arrivals(working))
    when = np.where(np.isfinite(newest), newest, arrived)
    order = np.lexsort((np.arange(len(newest)), arrived, when))
    rank = np.empty(len(newest), dtype="int64")
    rank[order] = np.arange(len(newest))
    return rank[dump]


VALUES = ("fibre_position", "wavelength_nm", "direction", "quantity", "state", "power_dbm",
          "reference_dbm", "loss_db", "length_m")  # fmt: skip
"""Columns that say what was measured."""


def _values(working: pd.DataFrame) -> Ints:
    """Number what was measured (VALUES)."""

    def steps(name: str) -> Ints:
        column: Floats = working[name].to_numpy()
        return np.where(np.isnan(column), 2**40, np.rint(column * STEPS_PER_DB)).astype("int64")

    return combined(
        working["fibre_position"].to_numpy(), working["wavelength_nm"].to_numpy(),
        numbers(working["direction"]), numbers(working["quantity"]), numbers(working["state"]),
        *(ranked(steps(name)) for name in ("power_dbm", "reference_dbm", "loss_db", "length_m")),
    )  # fmt: skip


def _previous(copies: Ints, rank: Ints) -> Ints:
    """Return for each row the row of its copy in the dump before, −1 for first copies."""
    order = np.lexsort((rank, copies))
    first = starts(copies[order])
    before = np.empty(len(copies), dtype="int64")
    before[order] = np.where(first, -1, np.concatenate([[-1], order[:-1]]))
    return before


def _in_block(record: Ints, earlier: Ints, rank: Ints) -> Flags:
    """Mark rows whose record repeats an earlier dump's as part of a block.

    A block is a sequence of records, each next to the last in both dumps, of at least
    BLOCK_RECORDS, or all of either dump.
    """
    count = int(record.max()) + 1
    rows = np.bincount(record, minlength=count)
    linked = earlier >= 0
    equal = np.bincount(record[linked], minlength=count) == rows
    partner = np.full(count, -1, dtype="int64")
    partner[record[linked]] = record[earlier[linked]]
    partner[~equal] = -1
    dump = np.zeros(count, dtype="int64")
    dump[record] = rank
    size = np.bincount(dump)
    alone = partner < 0
    follows = np.zeros(count, dtype="bool")
    follows[1:] = (
        ~alone[1:] & ~alone[:-1] & (partner[1:] == partner[:-1] + 1)
        & (dump[1:] == dump[:-1]) & (dump[partner[1:]] == dump[partner[:-1]])
    )  # fmt: skip
    block = np.cumsum(~follows) - 1
    length = np.bincount(block)[block]
    other = np.where(alone, 0, size[dump[partner]])
    enough = ~alone & ((length >= BLOCK_RECORDS) | (length == size[dump]) | (length == other))
    return np.asarray(enough[record])


def _roots(before: Ints) -> Ints:
    """Follow copies of copies to the first one; −1 stays."""
    root = before.copy()
    while True:
        further = np.where(root >= 0, before[root], -1)
        if (further < 0).all():
            return root
        root = np.where(further >= 0, further, root)


def _lone(
    working: pd.DataFrame, record: Ints, earlier: Ints, marked: Flags, done: asking.Settled
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Ask of records without a clock that equal one of an earlier dump all by themselves."""
    found, asked = [], []
    for number in np.unique(record[marked]):
        rows = np.flatnonzero((record == number) & marked)
        later, first = working.iloc[rows], working.iloc[earlier[rows]]
        head, old = later.iloc[0], first.iloc[0]
        message = (
            f"record {head['record']} of dump {head['dump_name']} ({head['label'] or 'no label'}) "
            f"equals record {old['record']} of dump {old['dump_name']}; neither has a clock"
        )
        question = asking.ask(
            "repeat-unsure", message, "count it once: the memory was dumped twice",
            list(later["reading_id"]),
            [{"action": "leave-out", "label": "the memory was dumped twice: count it once"},
             {"action": "accept-value", "label": "tested twice with one result: count both"}],
            [{"term": "equal values", "weight": float(len(rows)), "text": message}], done,
        )  # fmt: skip
        asked.append(question)
        if question["state"] == "open":
            found.append(
                suspicions.found(
                    "repeat-unsure", subject=f"record {head['record']} of dump {head['dump_name']}",
                    message=message, reading_id=later["reading_id"],
                    question_id=question["question_id"],
                )
            )  # fmt: skip
    return suspicions.join(*found), asked


def _renamed(
    working: pd.DataFrame, rows: Ints, content: Ints, label: Ints, rank: Ints, record: Ints,
    done: asking.Settled,
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:  # fmt: skip
    """Ask of results that two dumps hold under different labels: which label holds.

    `content` and `label` are of `rows`, the others of all of `working`.
    """
    order = np.lexsort((rank[rows], content))
    rows, content, label = rows[order], content[order], label[order]
    differ = ~starts(content)[1:] & (label[1:] != label[:-1]) & (np.diff(rank[rows]) != 0)
    before, after = rows[:-1][differ], rows[1:][differ]
    pair = combined(rank[before], rank[after]) if len(after) else after
    found, asked = [], []
    for number in np.unique(pair):
        old, new = working.iloc[before[pair == number]], working.iloc[after[pair == number]]
        records = len(np.unique(record[after[pair == number]]))
        head = (
            f"{records} records stand in dump {old['dump_name'].iloc[0]} and in dump "
            f"{new['dump_name'].iloc[0]} under different labels, the first as "
            f"“{old['label'].iloc[0]}” and “{new['label'].iloc[0]}”"
        )
        question = asking.ask(
            "repeat-relabelled", head,
            f"keep the labels of dump {new['dump_name'].iloc[0]}, dumped later",
            list(old["reading_id"]),
            [{"action": "leave-out", "label": "the later labels hold: leave the earlier out"},
             {"action": "accept-value", "label": "two different results: count both"}],
            [{"term": "same meter, time and values", "weight": float(len(new)), "text": head}],
            done,
        )  # fmt: skip
        asked.append(question)
        if question["state"] == "open":
            found.append(
                suspicions.found(
                    "repeat-relabelled", subject=f"dump {old['dump_name'].iloc[0]}",
                    message=[
                        f"stored as “{a}” in dump {c} and as “{b}” in dump {d}"
                        for a, b, c, d in zip(
                            old["label"], new["label"], old["dump_name"], new["dump_name"],
                            strict=True,
                        )
                    ],
                    reading_id=old["reading_id"], question_id=question["question_id"],
                )
            )  # fmt: skip
    return suspicions.join(*found), asked
