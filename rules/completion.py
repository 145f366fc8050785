"""What is done of the plan: the state of each planned test, and counts by every scope."""

from __future__ import annotations

import json
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
    live = _both_ways(grades.loc[grades["grade"] != "superseded"])
    old = grades.loc[grades["grade"] == "superseded"]
    # a reading that was replaced, voided by a repair or is to be redone is no reading any more
    gone = list(old["reading_ids"].str.slice(2, -2))
    read = pairs.loc[(pairs["status"] == "paired") & ~pairs["reading_id"].isin(gone)]
    of_plan, of_live, of_old, of_read = _tests(planned, live, old, read)
    deciding = _deciding(live, of_live, of_plan)
    grade = _taken(live["grade"], deciding)
    reason = _taken(live["why"], deciding)
    state = np.full(len(planned), "missing", dtype=object)
    why = np.full(len(planned), "no reading", dtype=object)

    def put(rows: Flags, name: str, text: str | Texts) -> None:
        state[rows], why[rows] = name, text

    put((grade == "") & _among(of_plan, of_old), "missing", "repaired or replaced: measure again")
    put(planned["link_id"].isin(_proposed(questions)).to_numpy(), "doubtful",
        "a question proposes a reading")  # fmt: skip
    put(_among(of_plan, of_read), "doubtful", "a reading that cannot be graded yet")
    put(grade == "no-reference", "doubtful", "no valid reference")
    state[grade == "blocked"] = "doubtful"
    explained = (grade == "blocked") & (reason != "")
    put(explained, "doubtful", reason[explained])
    unlimited = grade == "no-limit"
    put(unlimited, "no-limit", _prefixed("no limit", reason[unlimited]))
    accepted = np.isin(grade, settings.accepted_grades)
    failed = np.isin(grade, VERDICTS) & ~accepted
    put(failed, "failed", _worded(live.take(deciding[failed])))
    put(accepted, "accepted", "")
    blocked = acts.loc[(acts["kind"] == "note") & (acts["argument"] == "blocked")]
    waived = acts.loc[acts["kind"] == "waiver"]
    for said, name, among in (
        (blocked, "blocked", state == "missing"),
        (waived, "waived", state != "accepted"),
    ):
        reasons = said.drop_duplicates("subject", keep="last").set_index("subject")["why"]
        hit = among & planned["link_id"].isin(reasons.index).to_numpy()
        put(hit, name, _prefixed(name, reasons.reindex(planned["link_id"].loc[hit]).to_numpy()))
    ids = _ids(live, deciding)
    found: dict[str, Any] = {"state": state, "why": why, "grade": grade, "reading_id": ids}
    return tables.conform(
        planned.assign(**{n: pd.array(v, dtype="str") for n, v in found.items()}),
        tables.TEST_STATES,
    )


def _both_ways(live: pd.DataFrame) -> pd.DataFrame:
    """Let a `mean` row stand for both directions."""
    mean = live["direction"] == "mean"
    if not mean.any():
        return live.reset_index(drop=True)
    both = [live.loc[mean].assign(direction=way) for way in ("a-b", "b-a")]
    return pd.concat([live.loc[~mean], *both], ignore_index=True)


def _tests(*parts: pd.DataFrame) -> list[Ints]:
    """Number the planned tests of several tables together."""
    link, _ = columns.common_codes(*(part["link_id"] for part in parts))
    numbers = [
        np.concatenate(link),
        np.concatenate([results.kind_numbers(part["kind"]) for part in parts]),
        np.concatenate([part["wavelength_nm"].to_numpy() for part in parts]),
        np.concatenate([results.way_numbers(part["direction"]) for part in parts]),
    ]
    return np.split(columns.combined(*numbers), np.cumsum([len(part) for part in parts])[:-1])


def _among(tests: Ints, others: Ints) -> Flags:
    """Tell which tests are among others."""
    marks = np.zeros(int(max(tests.max(initial=0), others.max(initial=0))) + 1, dtype="bool")
    marks[others] = True
    return np.asarray(marks[tests])


def _deciding(live: pd.DataFrame, of_live: Ints, of_plan: Ints) -> Ints:
    """Return the row of `live` that decides each planned test, −1 for none.

    Over several limits the worst verdict decides, and `no-limit` only where no limit gave one.
    """
    number, names = columns.codes(live["grade"])
    severity = np.array([WORSE.index(n) if n in WORSE else -1 for n in names], dtype="int64")
    margin = live["margin_db"].to_numpy()
    limit = columns.codes(live["limit_name"], sort=True)[0]
    order = np.lexsort((limit, margin, -severity[number], of_live))
    begin = order[columns.starts(of_live[order])] if len(order) else order
    place = np.full(int(max(of_live.max(initial=0), of_plan.max(initial=0))) + 1, -1)
    place[of_live[begin]] = begin
    return np.asarray(place[of_plan], dtype="int64")


def _taken(column: pd.Series, row: Ints) -> Texts:
    """Take texts by row; −1 gives the empty text."""
    number, names = columns.codes(column)
    texts: Texts = np.append(names, "")[np.append(number, len(names))[row]]
    return texts


def _ids(live: pd.DataFrame, row: Ints) -> pd.Series:
    """Return the first of the ids behind rows of GRADES; −1 gives the empty text."""
    lists = live["reading_ids"].array.take(row, allow_fill=True, fill_value="")
    return first(pd.Series(lists, dtype="str"))


def _worded(live: pd.DataFrame) -> Texts:
    """Say of rows of GRADES what was measured against which limit."""
    loss = live["loss_db"].notna()
    value = live["loss_db"].where(loss, live["power_dbm"]).round(3).astype("str")
    text: pd.Series = live["grade"] + " " + value + np.where(loss, " dB", " dBm") + ", limit "
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


def count(states: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Count TEST_STATES over the job, buildings, floors, areas, cables and panels, as COMPLETION.

    A panel row counts a link at both of its ends. `percent` is rounded down over accepted and
    waived tests, so 100 appears only when nothing is open.
    """
    (of_test, of_link), _ = columns.common_codes(states["link_id"], links["link_id"])
    place = np.full(int(max(of_test.max(initial=-1), of_link.max(initial=-1))) + 1, -1)
    place[of_link] = np.arange(len(links))
    link = place[of_test]
    by_link = _by_link(states.loc[link >= 0], link[link >= 0], len(links))
    floor = (links["building"] + "/" + links["floor"]).where(links["floor"] != "", "")
    job = pd.Series("job", index=links.index, dtype="str")
    names = {"job": job, "building": links["building"], "floor": floor, "area": links["area"],
             "cable": links["cable"]}  # fmt: skip
    every = np.flatnonzero(by_link["planned"] > 0)
    parts = [_sum(by_link, name.take(every), every, scope) for scope, name in names.items()]
    near, far = ends.panel(links["a_end"]).take(every), ends.panel(links["b_end"]).take(every)
    other = (near != far).to_numpy()
    panels = pd.concat([near, far.loc[other]], ignore_index=True)
    parts.append(_sum(by_link, panels, np.append(every, every[other]), "panel"))
    return tables.conform(pd.concat(parts, ignore_index=True), tables.COMPLETION)


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


def _sum(by_link: dict[str, Ints], name: pd.Series, link: Ints, scope: str) -> pd.DataFrame:
    """Add up the counts of links by the name of what they lie in; no name, no row."""
    number, names = columns.codes(name, sort=True)
    table = pd.DataFrame(
        {
            column: np.bincount(number, counts[link], len(names)).astype("int64")
            for column, counts in by_link.items()
        }
    ).assign(scope=scope, name=pd.array(names, dtype="str"))
    table["percent"] = 100 * (table["accepted"] + table["waived"]) // table["planned"]
    return table.loc[table["name"] != ""]
