"""What is done of the plan: the state of each planned test, and counts by every scope."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from rules import columns, ends, results, tables
from rules.columns import Flags, Ints
from rules.ids import first
from rules.settings import Settings

VERDICTS = ("pass", "conditional-pass", "conditional-fail", "fail")
"""From best to worst: over several limits the worst decides."""
WORSE = ("blocked", "no-reference", "no-limit", *VERDICTS)
"""Grades of which the last one decides a test."""
_TEST = ("link_id", "kind", "wavelength_nm", "direction")
_RESULT = (
    "reading_ids", "loss_db", "power_dbm", "limit_db", "margin_db", "grade", "why", "limit_name",
)  # fmt: skip
"""Columns of GRADES that say how a test went."""
Texts = npt.NDArray[np.object_]


def test_states(
    planned: pd.DataFrame,
    grades: pd.DataFrame,
    pairs: pd.DataFrame,
    questions: pd.DataFrame,
    acts: pd.DataFrame,
    settings: Settings,
) -> pd.DataFrame:
    """Give every planned test (PLANNED) its state, as TEST_STATES.

    A graded test is accepted, failed or without limit; a reading that is paired but not graded,
    or an open question that proposes a reading for the test, makes it doubtful; a written waiver
    closes it; a note `blocked` says that nobody can reach it; the rest is missing.
    """
    superseded = grades["grade"] == "superseded"
    live = _both_ways(grades.loc[~superseded, [*_TEST, *_RESULT]])
    old = grades.loc[superseded, [*_TEST, "reading_ids"]]
    # a reading that was replaced, voided by a repair or is to be redone is no reading any more
    gone = list(old["reading_ids"].str.slice(2, -2))
    held = (pairs["status"] == "paired") & ~pairs["reading_id"].isin(gone)
    read = pairs.loc[held, [*_TEST]]
    of_plan, of_live, of_old, of_read = _tests(planned, live, old, read)
    deciding = _deciding(live, of_live, of_plan)
    grade, grades_of = _taken(live["grade"], deciding)
    reason, reasons = _taken(live["why"], deciding)
    state = _Worded(len(planned), "missing")
    why = _Worded(len(planned), "no reading")

    def graded(*names: str) -> Flags:
        return np.asarray(np.isin(grades_of, names)[grade])

    def put(rows: Flags, name: str, text: str | Texts) -> None:
        state.put(rows, name)
        why.put(rows, text)

    put(graded("") & _among(of_plan, of_old), "missing", "repaired or replaced: measure again")
    put(planned["link_id"].isin(_proposed(questions)).to_numpy(), "doubtful",
        "a question proposes a reading")  # fmt: skip
    put(_among(of_plan, of_read), "doubtful", "a reading that cannot be graded yet")
    put(graded("no-reference"), "doubtful", "no valid reference")
    blocked = graded("blocked")
    state.put(blocked, "doubtful")
    explained = blocked & (reasons != "")[reason]
    put(explained, "doubtful", reasons[reason[explained]])
    unlimited = graded("no-limit")
    put(unlimited, "no-limit", _prefixed("no limit", reasons[reason[unlimited]]))
    accepted = graded(*settings.accepted_grades)
    failed = graded(*VERDICTS) & ~accepted
    put(failed, "failed", _worded(live.take(deciding[failed])))
    put(accepted, "accepted", "")
    notes = acts.loc[(acts["kind"] == "note") & (acts["argument"] == "blocked")]
    waived = acts.loc[acts["kind"] == "waiver"]
    for said, name, among in (
        (notes, "blocked", state.among("missing")),
        (waived, "waived", ~state.among("accepted")),
    ):
        given = said.drop_duplicates("subject", keep="last").set_index("subject")["why"]
        hit = among & planned["link_id"].isin(given.index).to_numpy()
        links = planned["link_id"].loc[hit].astype("str")
        put(hit, name, _prefixed(name, given.reindex(links).to_numpy()))
    return tables.conform(
        planned.assign(
            state=state.texts(), why=why.texts(), grade=columns.few(list(grades_of), grade),
            reading_id=_ids(live, deciding),
        ),
        tables.TEST_STATES,
    )  # fmt: skip


class _Worded:
    """A text for each row out of few: kept as a number each."""

    def __init__(self, count: int, text: str) -> None:
        self._words = [text]
        self._number = np.zeros(count, dtype="int32")

    def put(self, rows: Flags, text: str | Texts) -> None:
        """Give some rows a text, or each its own."""
        number, words = (0, [text]) if isinstance(text, str) else pd.factorize(text)
        self._number[rows] = number + len(self._words)
        self._words.extend(words)

    def among(self, text: str) -> Flags:
        """Tell which rows have a text."""
        return np.asarray(np.array([word == text for word in self._words])[self._number])

    def texts(self) -> pd.Series:
        """Return the texts as a column of kind `few`."""
        return columns.few(self._words, self._number)


def _both_ways(live: pd.DataFrame) -> pd.DataFrame:
    """Let a `mean` row stand for both directions."""
    mean = live["direction"] == "mean"
    if not mean.any():
        return live.reset_index(drop=True)
    both = [live.loc[mean].assign(direction=way) for way in ("a-b", "b-a")]
    return pd.concat([live.loc[~mean], *both], ignore_index=True)


def _tests(*parts: pd.DataFrame) -> list[Ints]:
    """Number the planned tests of several tables together, with few gaps."""
    numbers, _ = columns.common_codes(*(part["link_id"] for part in parts))
    for own in (
        [results.kind_numbers(part["kind"]) for part in parts],
        [part["wavelength_nm"].to_numpy() for part in parts],
        [results.way_numbers(part["direction"]) for part in parts],
    ):
        known = np.sort(pd.unique(np.concatenate([pd.unique(values) for values in own])))
        for number, values in zip(numbers, own, strict=True):
            number *= len(known)
            number += np.searchsorted(known, values)
    return numbers


def _among(tests: Ints, others: Ints) -> Flags:
    """Tell which tests are among others."""
    marks = np.zeros(int(max(tests.max(initial=0), others.max(initial=0))) + 1, dtype="bool")
    marks[others] = True
    return np.asarray(marks[tests])


def _deciding(live: pd.DataFrame, of_live: Ints, of_plan: Ints) -> Ints:
    """Return the row of `live` that decides each planned test, −1 for none.

    Over several limits the worst verdict decides, and `no-limit` only where no limit gave one.
    """
    place = np.full(int(max(of_live.max(initial=0), of_plan.max(initial=0))) + 1, -1)
    if len(of_live) and np.bincount(of_live).max() == 1:
        place[of_live] = np.arange(len(of_live))
        return np.asarray(place[of_plan], dtype="int64")
    number, names = columns.codes(live["grade"])
    severity = np.array([WORSE.index(n) if n in WORSE else -1 for n in names], dtype="int64")
    margin = live["margin_db"].to_numpy()
    limit = columns.numbers(live["limit_name"], sort=True)
    order = np.lexsort((limit, margin, -severity[number], of_live))
    begin = order[columns.starts(of_live[order])] if len(order) else order
    place[of_live[begin]] = begin
    return np.asarray(place[of_plan], dtype="int64")


def _taken(column: pd.Series, row: Ints) -> tuple[Ints, Texts]:
    """Take texts by row as numbers, and what they stand for; row −1 gives the empty text."""
    number, names = columns.codes(column)
    return np.append(number, len(names))[row], np.append(names, "")


def _ids(live: pd.DataFrame, row: Ints) -> pd.Series:
    """Return the first of the ids behind rows of GRADES; −1 gives the empty text."""
    lists = live["reading_ids"].array.take(row, allow_fill=True, fill_value="")
    return first(pd.Series(lists, dtype="str"))


def _worded(live: pd.DataFrame) -> Texts:
    """Say of rows of GRADES what was measured against which limit."""
    loss = live["loss_db"].notna()
    value = live["loss_db"].where(loss, live["power_dbm"]).round(3).astype("str")
    grade: pd.Series = live["grade"].astype("str")
    text: pd.Series = grade + " " + value + np.where(loss, " dB", " dBm") + ", limit "
    return (text + live["limit_db"].round(3).astype("str")).to_numpy(dtype=object)


def _prefixed(name: str, reasons: Texts) -> Texts:
    """Put a word before each reason, and leave it alone where there is none."""
    return np.array([f"{name}: {reason}".rstrip(": ") for reason in reasons], dtype=object)


def _proposed(questions: pd.DataFrame) -> list[str]:
    """List the links that an open question proposes for its readings."""
    links: set[str] = set()
    for options in questions.loc[questions["state"] == "open", "options"]:
        for option in json.loads(options or "[]")[:1]:
            links.update(option.get("link_ids", ()))
            links.update(filter(None, [option.get("link_id", "")]))
    return sorted(links)


COUNTED = {
    "accepted": "accepted", "failed": "failed", "doubtful": "doubtful", "no_limit": "no-limit",
    "blocked": "blocked", "waived": "waived",
}  # fmt: skip
"""Column of COMPLETION to the state that it counts."""
SCOPES = ("job", "building", "floor", "area", "cable", "panel")
"""In the order in which they stand in COMPLETION."""


def count(states: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Count TEST_STATES over the job, buildings, floors, areas, cables and panels, as COMPLETION.

    A panel row counts a link at both of its ends. `percent` is rounded down over accepted and
    waived tests, so 100 appears only when nothing is open.
    """
    return tables.conform(
        by_region(states, links, np.zeros(len(links), dtype="int64")), tables.COMPLETION
    )


def by_region(states: pd.DataFrame, links: pd.DataFrame, region: Ints) -> pd.DataFrame:
    """Count as `count` does for each region by itself: COMPLETION and `region`, of each link."""
    (of_test, of_link), _ = columns.common_codes(states["link_id"], links["link_id"])
    place = np.full(int(max(of_test.max(initial=-1), of_link.max(initial=-1))) + 1, -1)
    place[of_link] = np.arange(len(links))
    link = place[of_test]
    by_link = _by_link(states.loc[link >= 0], link[link >= 0], len(links))
    every = np.flatnonzero(by_link["planned"] > 0)
    floor = (links["building"] + "/" + links["floor"]).where(links["floor"] != "", "")
    near, far = ends.panel(links["a_end"]).take(every), ends.panel(links["b_end"]).take(every)
    other = (near != far).to_numpy()
    of_job = pd.Series("job", index=links.index, dtype="str")
    wide = (of_job, links["building"], floor, links["area"], links["cable"])
    named = [(every, name.take(every)) for name in wide]
    named.append((np.append(every, every[other]), pd.concat([near, far.loc[other]])))
    return _sum(by_link, named, region)


def total(every: pd.DataFrame) -> pd.DataFrame:
    """Add up COMPLETION of parts of a job, one below the other; no two of them share a link."""
    counts = [name for name in tables.COMPLETION if name not in ("scope", "name", "percent")]
    summed = every.groupby(["scope", "name"], as_index=False, sort=False)[counts].sum()
    summed["percent"] = _percent(summed)
    summed["place"] = summed["scope"].map(SCOPES.index)
    return tables.conform(
        summed.sort_values(["place", "name"], ignore_index=True), tables.COMPLETION
    )


def _percent(counts: Mapping[str, Any] | pd.DataFrame) -> Any:
    return 100 * (counts["accepted"] + counts["waived"]) // counts["planned"]


def _by_link(states: pd.DataFrame, link: Ints, links: int) -> dict[str, Ints]:
    """Count the tests of each link: the columns of COMPLETION, without `percent`."""
    number, names = columns.codes(states["state"])
    state = dict(zip(names, range(len(names)), strict=True))
    flags = {column: number == state.get(name, -1) for column, name in COUNTED.items()}
    flags["measured"] = (states["reading_id"] != "").to_numpy() | flags["doubtful"]
    flags["planned"] = np.ones(len(states), dtype="bool")
    out = {name: np.bincount(link[flag], minlength=links) for name, flag in flags.items()}
    out["links_planned"] = (out["planned"] > 0).astype("int64")
    closed = out["accepted"] + out["waived"] == out["planned"]
    out["links_ready"] = closed & out["links_planned"]
    return out


def _sum(
    by_link: dict[str, Ints], named: Sequence[tuple[Ints, pd.Series]], region: Ints
) -> pd.DataFrame:
    """Add up the counts of links by scope, region and name of what they lie in: COMPLETION and
    `region`; no name, no row.

    named: for each of SCOPES some links and their names.
    """
    parts: list[tuple[Ints, Ints, Ints]] = []
    names: list[str] = []
    for at, (links, name) in enumerate(named):
        own, texts = columns.codes(name, sort=True)
        held = np.flatnonzero((np.append(texts, "") != "")[own])
        parts.append((links[held], own[held] + len(names), np.full(len(held), at)))
        names += texts.tolist()
    link, number, scope = (np.concatenate(part) for part in zip(*parts, strict=True))
    region = region[link]
    key = columns.combined(scope, region, number)
    first = columns.firsts(key, int(key.max(initial=-1)) + 1)
    counts = {
        column: np.bincount(key, each[link], len(first)).astype("int64")
        for column, each in by_link.items()
    }
    table = {
        "scope": pd.array(SCOPES, dtype="str").take(scope[first]),
        "name": pd.array(names, dtype="str").take(number[first]),
        "percent": _percent(counts),
        "region": region[first],
    }
    return tables.conform(pd.DataFrame(counts | table), {**tables.COMPLETION, "region": "int"})
