"""What people's answers fix before any evidence is weighed.

The actions that pairing knows, each over `reading_ids`; of several answers on one reading the
newest holds:

`place`         each reading belongs to the link beside it in `link_ids` (one link id: to all)
`direction`     the readings' direction is `argument` (`a-b` or `b-a`)
`outside-plan`  the readings are of something the plan does not hold
`leave-out`     the readings count for nothing
`alias`         `argument` is a JSON list of two labels [typed, meant]: labels whose tokens begin
                with the first are read as beginning with the second, throughout the job
`ask-crew`      settles nothing; the question shows who is asked (`argument`)

Any other action is no business of pairing. A choice, a shift or a renaming is written as `place`
with the links it leads to, so that an answer means the same for ever.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import columns

ACTIONS = ("place", "direction", "outside-plan", "leave-out", "alias", "ask-crew")


@dataclass(frozen=True)
class Bindings:
    """Answers by reading: the link placed on, the direction, the status, who is asked."""

    links: dict[str, str]
    directions: dict[str, str]
    statuses: dict[str, str]
    """`outside-plan` or `left-out`."""
    asked: dict[str, str]
    aliases: tuple[tuple[str, str], ...]
    """(typed, meant), newest first."""
    by: dict[str, str]
    """Who answered last of each reading that any answer names, for the reason shown."""


def concerned(ids: pd.Series, bound: Bindings) -> np.ndarray:
    """Return the rows of the readings, of these ids, that any answer names."""
    named = sorted(bound.by)
    if not named:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(columns.positions(pd.Series(named, dtype="str"), ids) >= 0)


def read_list(text: str) -> list[str]:
    """Read a JSON list of text; anything else is an empty list."""
    try:
        found = json.loads(text) if text else []
    except ValueError:
        return []
    return [str(item) for item in found] if isinstance(found, list) else []


def of_answers(answers: pd.DataFrame) -> Bindings:
    """Replay table ANSWERS, oldest first."""
    links: dict[str, str] = {}
    directions: dict[str, str] = {}
    statuses: dict[str, str] = {}
    asked: dict[str, str] = {}
    aliases: dict[str, str] = {}
    by: dict[str, str] = {}
    columns = ("action", "reading_ids", "link_ids", "argument", "who")
    for action, readings_json, links_json, argument, who in zip(
        *(answers[name] for name in columns), strict=True
    ):
        readings = read_list(readings_json)
        by.update(dict.fromkeys(readings, who))
        if action == "place":
            targets = read_list(links_json)
            if len(targets) == 1:
                targets = targets * len(readings)
            for reading, link in zip(readings, targets, strict=False):
                links[reading] = link
                statuses.pop(reading, None)
        elif action == "direction":
            directions.update(dict.fromkeys(readings, argument))
        elif action in ("outside-plan", "leave-out"):
            status = "outside-plan" if action == "outside-plan" else "left-out"
            for reading in readings:
                statuses[reading] = status
                links.pop(reading, None)
        elif action == "ask-crew":
            asked.update(dict.fromkeys(readings, argument))
        elif action == "alias":
            pair = read_list(argument)
            if len(pair) == 2:
                aliases.pop(pair[0], None)
                aliases[pair[0]] = pair[1]
    return Bindings(links, directions, statuses, asked, tuple(reversed(aliases.items())), by)
