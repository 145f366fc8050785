from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import journal
from ingest.errors import Damaged
from ingest.journal import Head
from tests.ingest.sample import Clock


def write(folder: Path, count: int, head: Head = Head(), laptop: str = "one") -> Head:  # noqa: B008
    entries = [("note", {"n": i, "text": "ä — ♥", "value": -20.0}) for i in range(count)]
    return journal.append(folder, head, "", laptop, "me", entries, Clock())[1]


def read(folder: Path, laptop: str = "one") -> list[journal.Entry]:
    return [entry for entry, _ in journal.read(journal.path_of(folder, laptop))]


def test_entries_read_back_as_written_and_chain(tmp_path: Path) -> None:
    head = write(tmp_path, 3)
    head = write(tmp_path, 2, head)
    entries = read(tmp_path)
    assert [entry.seq for entry in entries] == [1, 2, 3, 4, 5]
    assert entries[0].previous == journal.GENESIS
    assert [e.previous for e in entries[1:]] == [e.hash for e in entries[:-1]]
    assert (head.seq, head.hash) == (5, entries[-1].hash)
    assert head.offset == journal.path_of(tmp_path, "one").stat().st_size


def test_lines_are_canonical_json(tmp_path: Path) -> None:
    # RFC 8785, 3.2.3 sorts keys by UTF-16 code units; 3.2.2.3 writes -20.0 as -20
    write(tmp_path, 1)
    line = journal.path_of(tmp_path, "one").read_text("utf-8")
    assert list(json.loads(line)) == sorted(json.loads(line))
    assert '"value":-20}' in line
    assert " " not in line.replace("ä — ♥", "")


def test_time_never_runs_backwards_and_says_so(tmp_path: Path) -> None:
    head = write(tmp_path, 1)
    behind = Clock("2020-01-01T00:00:00")
    made, _ = journal.append(tmp_path, head, "", "one", "me", [("note", {})], behind)
    assert made[0].at == head.at
    assert made[0].clock == "2020-01-01T00:00:01.000Z"


@settings(derandomize=True, max_examples=120, deadline=None)
@given(place=st.integers(0, 10_000), flip=st.integers(1, 255))
def test_any_flipped_byte_is_found(
    tmp_path_factory: pytest.TempPathFactory, place: int, flip: int
) -> None:
    folder = tmp_path_factory.mktemp("journal")
    write(folder, 3)
    path = journal.path_of(folder, "one")
    data = bytearray(path.read_bytes())
    data[place % len(data)] ^= flip
    path.write_bytes(data)
    try:
        entries = read(folder)
    except Damaged as error:
        assert "one.jsonl, entry" in str(error)
        return
    # a flipped last line feed leaves a torn line, which is no entry
    assert len(entries) == 2


def test_removed_and_exchanged_lines_are_found(tmp_path: Path) -> None:
    write(tmp_path, 3)
    path = journal.path_of(tmp_path, "one")
    first, second, third = path.read_bytes().splitlines(keepends=True)
    for lines, place in (([first, third], 2), ([second, first, third], 1), ([second, third], 1)):
        path.write_bytes(b"".join(lines))
        with pytest.raises(Damaged, match=f"entry {place}"):
            read(tmp_path)


def test_a_cut_tail_is_found_by_who_knew_more(tmp_path: Path) -> None:
    head = write(tmp_path, 3)
    path = journal.path_of(tmp_path, "one")
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:2]))
    with pytest.raises(Damaged, match="the tail is cut; 3 entries were known"):
        list(journal.read(path, head))


@pytest.mark.parametrize("cut", [1, 5, 200])
def test_a_torn_last_line_is_set_apart(tmp_path: Path, cut: int) -> None:
    write(tmp_path, 2)
    path = journal.path_of(tmp_path, "one")
    data = path.read_bytes()
    path.write_bytes(data[:-cut])
    said = journal.mend(path)
    if cut == 1:  # only the line feed was lost: the entry is whole
        assert "line feed" in said
        assert path.read_bytes() == data
        return
    assert "torn last line" in said
    assert len(read(tmp_path)) == 1
    (torn,) = tmp_path.glob("one.torn-*")
    assert path.read_bytes() + torn.read_bytes() == data[:-cut]
    assert journal.mend(path) == ""


def test_job_head_is_that_of_the_sorted_chain_heads() -> None:
    # printf 'a\\nb' | sha256sum
    known = "7e18f737311b2dc3b2f269dd78396b0351f14fb66efa879f768cb23181883c78"
    assert journal.job_head(["b", "a"]) == journal.job_head(["a", "b"]) == known
