"""What is done of the plan: the state of each planned test, and counts by every scope."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd

from rules import ends, tables
from rules.settings import Settings

KEY = ["link_id", "kind", "wavelength_nm", "direction"]

VERDICTS = ("pass", "conditional-pass", "conditional-fail", "fail")
"""From best to worst: over several limits the worst decides."""


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
    table = planned.merge(current_grades(grades, planned), on=KEY, how="left")
    table["grade"] = table["grade"].fillna("")
    for column in ("reading_id", "grade_text", "grade_why"):
        table[column] = table[column].fillna("")

    accepted = table["grade"].isin(settings.accepted_grades)
    failed = table["grade"].isin(VERDICTS) & ~accepted
    state = pd.Series("missing", index=table.index, dtype="str")
    why = pd.Series("no reading", index=table.index, dtype="str")

    # a reading that was replaced, voided by a repair or is to be redone is no reading any more
    gone = list(_superseded(grades)["reading_ids"].str.slice(2, -2))
    has_reading = _has(
        table, pairs.loc[(pairs["status"] == "paired") & ~pairs["reading_id"].isin(gone)]
    )
    state = state.mask(has_reading, "doubtful")
    why = why.mask(has_reading, "a reading that cannot be graded yet")
    asked = _asked(table, questions) & ~has_reading
    state = state.mask(asked, "doubtful")
    why = why.mask(asked, "a question proposes a reading")
    repaired = (table["grade"] == "") & _has(table, _superseded(grades)) & (state == "missing")
    why = why.mask(repaired, "repaired or replaced: measure again")
    state = state.mask(table["grade"] == "no-limit", "no-limit")
    unlimited = table["grade"] == "no-limit"
    why = why.mask(unlimited, ("no limit: " + table["grade_why"]).str.removesuffix(": "))
    why = why.mask((table["grade"] == "blocked") & (table["grade_why"] != ""), table["grade_why"])
    doubtful = table["grade"].isin(("no-reference", "blocked"))
    state = state.mask(doubtful, "doubtful")
    why = why.mask(table["grade"] == "no-reference", "no valid reference")
    state, why = state.mask(failed, "failed"), why.mask(failed, table["grade_text"])
    state, why = state.mask(accepted, "accepted"), why.mask(accepted, "")

    for kind, name, text in (("note", "blocked", "blocked"), ("waiver", "waived", "waived")):
        matching = acts.loc[acts["kind"] == kind]
        if kind == "note":
            matching = matching.loc[matching["argument"] == "blocked"]
        hit = table["link_id"].isin(matching["subject"]) & ~state.isin(("accepted",))
        if kind == "note":
            hit &= state == "missing"
        reasons = matching.drop_duplicates("subject", keep="last").set_index("subject")["why"]
        reason = table["link_id"].map(reasons).astype("str")
        state = state.mask(hit, name)
        why = why.mask(hit, (f"{text}: " + reason.fillna("")).str.rstrip(": "))
    table["state"], table["why"] = state, why
    return tables.conform(table, tables.TEST_STATES)


def current_grades(grades: pd.DataFrame, planned: pd.DataFrame) -> pd.DataFrame:
    """Reduce GRADES to one deciding row per planned test: KEY, grade, reading_id, and words.

    A `mean` row decides for both directions. Over several limits the worst verdict decides, and
    `no-limit` only where no limit gave a verdict.
    """
    live = grades.loc[grades["grade"] != "superseded"]
    mean = live["direction"] == "mean"
    both = [live.loc[mean].assign(direction=way) for way in ("a-b", "b-a")]
    live = pd.concat([live.loc[~mean], *both], ignore_index=True)
    live = live.merge(planned[KEY], on=KEY)
    severity = {name: place for place, name in enumerate(("blocked", "no-reference", "no-limit"))}
    severity |= {name: place + len(severity) for place, name in enumerate(VERDICTS)}
    live["severity"] = live["grade"].map(severity).astype("float64")
    live = live.sort_values([*KEY, "severity", "margin_db", "limit_name"],
                            ascending=[True] * 4 + [False, True, True], kind="stable")  # fmt: skip
    live = live.drop_duplicates(KEY)
    live["reading_id"] = live["reading_ids"].str.extract(r'"([^"]+)"', expand=False).fillna("")
    value = live["loss_db"].where(live["loss_db"].notna(), live["power_dbm"])
    unit = np.where(live["loss_db"].notna(), " dB", " dBm")
    live["grade_text"] = (
        live["grade"] + " " + value.round(3).astype("str") + unit
        + ", limit " + live["limit_db"].round(3).astype("str")
    )  # fmt: skip
    live = live.rename(columns={"why": "grade_why"})
    return live[[*KEY, "grade", "reading_id", "grade_text", "grade_why"]]


def _superseded(grades: pd.DataFrame) -> pd.DataFrame:
    return grades.loc[grades["grade"] == "superseded"]


def _has(table: pd.DataFrame, rows: pd.DataFrame) -> pd.Series:
    """Tell which tests have at least one of `rows`; rows without direction count for none."""
    found = table[KEY].merge(rows[KEY].drop_duplicates().assign(found=True), on=KEY, how="left")
    return pd.Series(found["found"].notna().to_numpy(), index=table.index)


def _asked(table: pd.DataFrame, questions: pd.DataFrame) -> pd.Series:
    """Tell which tests lie on a link that an open question proposes for its readings."""
    links: set[str] = set()
    for options in questions.loc[questions["state"] == "open", "options"]:
        for option in json.loads(options or "[]")[:1]:
            links.update(option.get("link_ids", ()))
            links.update(filter(None, [option.get("link_id", "")]))
    return table["link_id"].isin(sorted(links))


def count(states: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Count TEST_STATES over the job, buildings, floors, areas, cables and panels, as COMPLETION.

    A panel row counts a link at both of its ends. `percent` is rounded down over accepted and
    waived tests, so 100 appears only when nothing is open.
    """
    wide = states.merge(
        links[["link_id", "building", "floor", "area", "cable", "a_end", "b_end"]], on="link_id"
    )
    floor = wide["building"] + "/" + wide["floor"]
    names = {
        "job": pd.Series("job", index=wide.index, dtype="str"),
        "building": wide["building"],
        "floor": floor.where(wide["floor"] != "", ""),
        "area": wide["area"],
        "cable": wide["cable"],
    }
    parts = [_count(wide, name, scope) for scope, name in names.items()]
    a_panel, b_panel = ends.panel(wide["a_end"]), ends.panel(wide["b_end"])
    other = wide.loc[b_panel != a_panel]
    parts.append(
        _count(
            pd.concat([wide, other], ignore_index=True),
            pd.concat([a_panel, b_panel.loc[other.index]], ignore_index=True),
            "panel",
        )
    )
    return tables.conform(pd.concat(parts, ignore_index=True), tables.COMPLETION)


def _count(wide: pd.DataFrame, name: pd.Series, scope: str) -> pd.DataFrame:
    known = name != ""
    wide, name = wide.loc[known], name.loc[known]
    flags = pd.DataFrame(
        {
            "name": name,
            "link_id": wide["link_id"],
            "planned": 1,
            "accepted": wide["state"] == "accepted",
            "failed": wide["state"] == "failed",
            "doubtful": wide["state"] == "doubtful",
            "no_limit": wide["state"] == "no-limit",
            "blocked": wide["state"] == "blocked",
            "waived": wide["state"] == "waived",
            "measured": (wide["reading_id"] != "") | (wide["state"] == "doubtful"),
        }
    )
    flags["closed"] = flags["accepted"] | flags["waived"]
    counts = flags.drop(columns="link_id").groupby("name").sum()
    per_link = flags.groupby(["name", "link_id"])["closed"].all().groupby("name")
    counts["links_planned"], counts["links_ready"] = per_link.size(), per_link.sum()
    counts["percent"] = 100 * counts["closed"] // counts["planned"]
    return counts.reset_index().assign(scope=scope)
