"""What a plan makes easy to confuse is said in few words, and nothing is said of sound plans."""

from __future__ import annotations

import time

import pandas as pd
import pytest

from rules import labels, plan_labels, tables


def plan_of(ids: list[str], a_end: dict[str, str] | None = None) -> pd.DataFrame:
    ends = [(a_end or {}).get(name, "") for name in ids]
    return tables.conform(pd.DataFrame({"link_id": ids, "a_end": ends}), tables.LINKS)


def ports(*heads: str) -> list[str]:
    return [f"{head}-{port:02d}" for head in heads for port in range(1, 13)]


def test_ports_and_panels_that_count_on_are_no_mix_up() -> None:
    assert plan_labels.notes(plan_of(ports("P1", "P2", "P3", "P12", "P21"))) == []
    assert plan_labels.notes(plan_of([f"{n:05d}" for n in range(2000)])) == []
    assert plan_labels.notes(tables.empty(tables.LINKS)) == []


@pytest.mark.parametrize(
    ("ids", "said"),
    [
        (["A-01", "a 1", "B-07"], "2 labels are equal but for case"),
        (["A-1-1", "A-11", "B-07"], "2 labels are equal once they are typed without separators"),
        (["WO-1", "W0-1", "X-5"], "2 labels are equal but for signs that look alike"),
        (["K-1I", "K-11", "X-5"], "2 labels are equal but for signs that look alike"),
        (ports("TRE", "TRW"), "'TRE' and 'TRW'"),
        (ports("P1", "P11"), "1 pair of panels is one slip of the keypad apart: 'P1' and 'P11'"),
        (ports("TAB", "TBA"), "'TAB' and 'TBA'"),
        (ports("R1-A", "R2-A"), "24 labels fit several panels ('A-01' fits 2 links): the last 3"),
    ],
)
def test_each_kind_of_mix_up_is_named_with_what_to_do(ids: list[str], said: str) -> None:
    first, *_, last = plan_labels.notes(plan_of(ids))
    assert said in first
    assert "worklist" in last


def test_panels_without_a_common_port_are_not_confused() -> None:
    ids = ports("TRE") + [f"TRW-{port}" for port in range(40, 52)]
    assert plan_labels.notes(plan_of(ids)) == []


def test_a_label_that_is_another_links_end_is_named() -> None:
    ids = ["P-07", "P-08"]
    first, _ = plan_labels.notes(plan_of(ids, {"P-08": "p 7", "P-07": "P-07"}))
    assert first.startswith("1 label also names an end of another link: 'P-07' is a link")


def test_notes_are_few_and_the_same_in_any_order() -> None:
    ids = ports(*(f"{a}{b}" for a in "QWERTYASDF" for b in ("O1", "01", "I1")))
    straight = plan_labels.notes(plan_of(ids))
    assert straight == plan_labels.notes(plan_of(ids[::-1]))
    assert 2 <= len(straight) <= 7
    assert all(len(note) < 400 for note in straight)
    assert any("more such cases" in note for note in straight)


def test_labels_are_normalised_as_pairing_does() -> None:
    ids = ["B1-F02.TR3a:007", "x", "", "007", "A-1b", "ü-03", "P٣-1", "a" * 40 + "9"]
    assert plan_labels._split(ids).keys() == [labels.key(name) for name in ids]


def test_a_large_plan_takes_little_time() -> None:
    ids = [f"B{b}-F{f:02d}-P{p:02d}-{n:02d}" for b in range(10) for f in range(10)
           for p in range(21) for n in range(48)]  # fmt: skip
    links = plan_of(ids)
    begun = time.process_time()
    plan_labels.notes(links)
    assert len(links) > 100_000
    assert time.process_time() - begun < 8, "about one second on a quiet machine"
