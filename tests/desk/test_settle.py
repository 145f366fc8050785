"""A person's choice becomes the right answer, or says why it cannot."""

from __future__ import annotations

from typing import Any

import pytest

from desk import settle
from ingest.errors import BadInput

PLAN = [
    {"link_id": f"{panel}-{port:02d}", "a_end": f"{panel}:{port}", "b_end": ""}
    for panel in ("W0A", "W0B")
    for port in range(1, 13)
]


def question(*labels: str, **more: Any) -> dict[str, Any]:
    ids = [f"r{n}" for n in range(len(labels))]
    rows = [
        {"reading_id": i, "label": label, "dump_sha256": "d", "record": n}
        for n, (i, label) in enumerate(zip(ids, labels, strict=True))
    ]
    return {"reading_ids": ids, "rows": rows, "options": []} | more


def test_accept_takes_the_option_with_its_own_readings_and_links() -> None:
    asked = question(
        "a", "b", options=[
            {"action": "place", "link_ids": ["W0A-01", "W0A-02"], "label": "there"},
            {"action": "leave-out", "label": "leave out", "reading_ids": ["r1"]},
            {"action": "direction", "label": "meter at A", "argument": "b-a"},
            {"action": "place", "link_ids": ["W0A-05"], "label": "all there"},
        ],
    )  # fmt: skip
    assert settle.accept(asked) == settle.Answer("place", ("r0", "r1"), ("W0A-01", "W0A-02"))
    assert settle.accept(asked, 2) == settle.Answer("leave-out", ("r1",))
    assert settle.accept(asked, 3).argument == "b-a"
    assert settle.accept(asked, 4).link_ids == ("W0A-05", "W0A-05")
    for number in (0, 5):
        with pytest.raises(BadInput, match="4 choices"):
            settle.accept(asked, number)
    with pytest.raises(BadInput, match="proposes nothing"):
        settle.accept(question("a"))


def test_choose_places_one_label_and_refuses_several() -> None:
    assert settle.choose(question("x", "x"), "W0A-03", PLAN).link_ids == ("W0A-03", "W0A-03")
    with pytest.raises(BadInput, match="No link 'W9'"):
        settle.choose(question("x"), "W9", PLAN)
    with pytest.raises(BadInput, match="2 labels"):
        settle.choose(question("x", "y"), "W0A-03", PLAN)


def test_shift_moves_within_the_panel_and_reads_a_label_past_its_end() -> None:
    assert settle.shift(question("W0A-02", "w0a 3"), -1, PLAN).link_ids == ("W0A-01", "W0A-02")
    assert settle.shift(question("W0A-13"), -1, PLAN).link_ids == ("W0A-12",)
    for labels, steps in ((["W0A-12"], 1), (["W0A-01"], -1), (["junk"], 1), (["junk-x"], 1)):
        with pytest.raises(BadInput, match="no link of the plan"):
            settle.shift(question(*labels), steps, PLAN)


def test_rename_changes_the_beginning_only() -> None:
    assert settle.rename(question("A-02"), "A", "W0A", PLAN).link_ids == ("W0A-02",)
    assert settle.rename(question("W0A-02"), "w0a", "W0B", PLAN).link_ids == ("W0B-02",)
    for typed, meant in (("X", "W0A"), ("A", "W7")):
        with pytest.raises(BadInput, match="no link of the plan"):
            settle.rename(question("A-02"), typed, meant, PLAN)
    with pytest.raises(BadInput, match="what was typed"):
        settle.rename(question("A-02"), "", "W0A", PLAN)


def test_plain_choices_cover_all_readings_and_nothing_else_is_one() -> None:
    assert settle.simple(question("a", "b"), "outside-plan").reading_ids == ("r0", "r1")
    with pytest.raises(BadInput, match="Unknown choice"):
        settle.simple(question("a"), "place")
