"""From a person's choice on a question to the answer in the journal, on terminal and page."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.errors import BadInput
from rules import labels

Row = Mapping[str, Any]
WORDS = {
    "outside-plan": "outside the plan",
    "leave-out": "leave out",
    "accept-value": "accept the value",
    "retest": "test again",
    "ask-crew": "ask the crew",
}
"""Actions that can be chosen on any question about readings, with their words."""


@dataclass(frozen=True)
class Answer:
    """What `ingest.acts.answer` takes beside the question's id and who decides."""

    action: str
    reading_ids: tuple[str, ...]
    link_ids: tuple[str, ...] = ()
    """Beside each reading where the action places, else the links concerned."""
    argument: str = ""


def accept(question: Row, number: int = 1) -> Answer:
    """Take one of the question's options, counted from 1; the first is the proposal."""
    options = question["options"]
    if not 1 <= number <= len(options):
        raise BadInput(
            f"The question has {len(options)} choices; {number} is none of them."
            if options
            else "The question proposes nothing; choose a link, outside-plan or leave-out."
        )
    option = options[number - 1]
    readings = tuple(option.get("reading_ids") or question["reading_ids"])
    links = tuple(option.get("link_ids") or ())
    if option["action"] == "place" and len(links) == 1:
        links = links * len(readings)
    return Answer(option["action"], readings, links, str(option.get("argument", "")))


def simple(question: Row, action: str, argument: str = "") -> Answer:
    """Settle all readings of a question by one action of `WORDS`."""
    if action not in WORDS:
        raise BadInput(f"Unknown choice '{action}'; one of {', '.join(WORDS)}.")
    return Answer(action, tuple(question["reading_ids"]), (), argument)


def choose(question: Row, link_id: str, plan: Iterable[Row]) -> Answer:
    """Place the readings of a question's one record on a link of the plan.

    Raises BadInput for an unknown link, and where the readings stand under several labels: one link
    cannot be right for all of them.
    """
    if link_id not in {row["link_id"] for row in plan}:
        raise BadInput(f"No link '{link_id}' in the plan.")
    typed = {(row["dump_sha256"], row["label"]) for row in question["rows"]}
    if len(typed) > 1:
        raise BadInput(
            f"The question covers {len(typed)} labels; one link cannot hold them all. "
            "Use shift or rename."
        )
    readings = tuple(question["reading_ids"])
    return Answer("place", readings, (link_id,) * len(readings))


def shift(question: Row, steps: int, plan: Iterable[Row]) -> Answer:
    """Place every reading on the link `steps` ports after the one that its label names."""
    links = list(plan)
    by_label = {labels.key(row["link_id"]): row for row in links}
    by_port = {_port(row["a_end"]): str(row["link_id"]) for row in links}

    def moved(label: str) -> str:
        named = by_label.get(labels.key(label))
        panel, port = _port(named["a_end"]) if named else _past_end(label, links)
        return by_port.get((panel, port + steps), "") if panel else ""

    return _placed(question, moved, f"shifted by {steps}")


def rename(question: Row, typed: str, meant: str, plan: Iterable[Row]) -> Answer:
    """Place every reading on the link that its label names once `typed` at its start is `meant`."""
    by_label = {labels.key(row["link_id"]): str(row["link_id"]) for row in plan}
    if not typed:
        raise BadInput("Give what was typed and what was meant.")

    def renamed(label: str) -> str:
        if not labels.fold(label).startswith(labels.fold(typed)):
            return ""
        return by_label.get(labels.key(meant + labels.fold(label)[len(labels.fold(typed)) :]), "")

    return _placed(question, renamed, f"renamed from '{typed}' to '{meant}'")


def _placed(question: Row, link_of: Callable[[str], str], doing: str) -> Answer:
    """Place each reading by its label; raise BadInput naming the labels that lead nowhere."""
    by_id = {row["reading_id"]: row["label"] for row in question["rows"]}
    readings: Sequence[str] = question["reading_ids"]
    placed = {label: link_of(label) for label in dict.fromkeys(by_id.values())}
    nowhere = [label for label, link in placed.items() if not link]
    if nowhere:
        shown = ", ".join(f"'{label}'" for label in nowhere[:5])
        more = f" and {len(nowhere) - 5} more" if len(nowhere) > 5 else ""
        raise BadInput(f"{doing.capitalize()}, {shown}{more} would be no link of the plan.")
    return Answer("place", tuple(readings), tuple(placed[by_id[r]] for r in readings))


def _port(end: str) -> tuple[str, int]:
    panel, port = labels.port_of(end)
    return (panel, int(port)) if re.fullmatch(r"\d{1,6}", port) else ("", 0)


def _past_end(label: str, links: Sequence[Row]) -> tuple[str, int]:
    """Read a label that counts past the end of a panel: the panel of labels alike, and its port."""
    *head, last = labels.tokens(label) or ("",)
    if not last.isdecimal():
        return "", 0
    for row in links:
        *other, _ = labels.tokens(row["link_id"]) or ("",)
        if other == head:
            return _port(row["a_end"])[0], int(last)
    return "", 0
