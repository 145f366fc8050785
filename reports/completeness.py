"""What is still open of a handover against its requirements profile, item by item.

Nothing is demanded that the profile does not name, but that limits are confirmed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from reports import facts, numbers
from reports.particulars import Particulars
from reports.requirements import Requirement
from reports.words import Words, words
from rules.evaluation import Evaluation


@dataclass(frozen=True)
class Item:
    """One demand: its key, what is asked in words, whether it is met, what is missing."""

    key: str
    asked: str
    met: bool
    missing: str = ""
    required: bool = True


def check(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    profile: bool = True,
) -> list[Item]:  # fmt: skip
    """Compare a handover with its profile, item by item, in the order of the profile.

    Without a `profile` the limits alone are looked at.
    """
    w = words(given.language)
    parts = (_tests, _limits, _fields, _evidence, _set) if profile else (_limits,)
    return [
        Item(key, asked, not missing, missing, key not in wanted.advisory)
        for part in parts
        for key, asked, missing in part(evaluation, given, results, wanted, w)
    ]


Found = Iterator[tuple[str, str, str]]
Part = Callable[[Evaluation, Particulars, pd.DataFrame, Requirement, Words], Found]


def _tests(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    w: Words,
) -> Found:  # fmt: skip
    tests = wanted.tests
    single = results.loc[results["direction"] != "mean"]
    if tests.complete:
        done = single["state"].isin(("accepted", "waived"))
        yield "complete", w("check.complete"), _some(single.loc[~done], w)
    if not tests.waivers:
        yield "waivers", w("check.waivers"), _some(single.loc[single["state"] == "waived"], w)
    loss_links = evaluation.planned.loc[evaluation.planned["kind"] == "link"]
    if tests.directions == "both":
        ways = loss_links.groupby(["link_id", "wavelength_nm"])["direction"].nunique()
        short = ways[ways < 2].index.get_level_values(0)
        yield "directions", w("check.directions"), _links(short, w)
    if tests.judged != "any":
        met = given.settings.direction_rule == tests.judged
        yield "judged", w(f"check.judged_{tests.judged}"), "" if met else w("check.judged_not")
    if tests.decision_rule != "any":
        met = given.settings.decision_rule == tests.decision_rule
        asked = w("check.decision_rule", rule=tests.decision_rule)
        yield "decision_rule", asked, "" if met else given.settings.decision_rule
    fibre = evaluation.plan.links.set_index("link_id")["fibre_type"]
    for mode, begins, demanded in (
        ("multimode", "OM", tests.multimode_nm), ("single_mode", "OS", tests.single_mode_nm),
    ):  # fmt: skip
        if not demanded:
            continue
        ids = fibre.index[fibre.str.startswith(begins)]
        own = loss_links.loc[loss_links["link_id"].isin(ids)]
        lacking: set[str] = set()
        for nm in demanded:
            have = own.loc[own["wavelength_nm"] == nm, "link_id"]
            lacking |= set(own["link_id"]) - set(have)
        asked = w(f"check.{mode}_nm", nm=" + ".join(map(str, demanded)))
        yield f"{mode}_nm", asked, _links(lacking, w)
    if tests.reference_methods:
        used = evaluation.runs.loc[~evaluation.runs["reference_method"].isin(
            tests.reference_methods)]  # fmt: skip
        asked = w("check.reference_methods", methods=", ".join(map(str, tests.reference_methods)))
        yield "reference_methods", asked, _names(used["run_id"], w)
    if tests.at_most_db is not None:
        over = results.loc[results["loss_db"].round(3) > tests.at_most_db]
        asked = w("check.at_most_db", db=numbers.decibel(tests.at_most_db, 2, w.style))
        yield "at_most_db", asked, _some(over, w)


def _limits(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    w: Words,
) -> Found:  # fmt: skip
    if wanted.limits.confirmed:
        open_ = [note.name for note in given.limits if not note.confirmed]
        yield "limits_confirmed", w("check.limits_confirmed"), _names(open_, w)


def _fields(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    w: Words,
) -> Found:  # fmt: skip
    measured = results.loc[(results["reading_id"] != "") & (results["state"] == "accepted")]
    runs = evaluation.runs.set_index("run_id")
    for name in wanted.fields:
        asked = w("check.field", field=w.label("column", name))
        if name == "polarity":
            yield name, w("check.polarity"), _links(_without_polarity(evaluation), w)
        elif name in ("reference_method", "people"):
            empty = runs.index[runs[name].isin(("", 0))]
            yield name, asked, _names(sorted(set(empty) & set(measured["run_id"])), w)
        else:
            values = measured[name]
            blank = values.isna() if values.dtype.kind == "f" else values == ""
            yield name, asked, _links(measured.loc[blank, "link_id"], w)


def _without_polarity(evaluation: Evaluation) -> list[str]:
    """List links that belong to a pair and have no accepted polarity test."""
    links = evaluation.plan.links
    paired = links.loc[(links["pair"] != "") & (links["kind"] == "link"), "link_id"]
    states = evaluation.test_states
    done = states.loc[(states["kind"] == "polarity") & (states["state"] == "accepted"), "link_id"]
    return sorted(set(paired) - set(done))


def _evidence(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    w: Words,
) -> Found:  # fmt: skip
    measured = results.loc[results["reading_id"] != ""]
    known = {one.serial: one for one in given.settings.instruments}
    last_use = pd.concat(
        [measured.groupby(column)["taken_at"].max() for column in ("meter_serial", "source_serial")]
    )
    used = {str(serial): str(at)[:10] for serial, at in last_use.items() if serial}
    months = wanted.instruments.calibration_months
    if months:
        late = []
        for serial, day in sorted(used.items()):
            one = known.get(serial)
            if one is None or not one.calibrated_on:
                late.append(f"{serial} ({w('check.no_date')})")
            elif day and (day > _months_after(one.calibrated_on, months)
                          or (one.due and day > one.due)):  # fmt: skip
                late.append(f"{serial} ({numbers.date(one.calibrated_on, w.style)})")
        yield "calibration", w("check.calibration", months=months), _names(late, w)
    if wanted.instruments.certificates:
        have = {paper.serial for paper in given.certificates}
        yield "certificates", w("check.certificates"), _names(sorted(set(used) - have), w)
    if wanted.people.trained:
        trained = {name.casefold() for name in given.settings.operators}
        people: set[str] = set(measured["operator"])
        for text in evaluation.runs["people"]:
            people |= {name.strip() for name in text.replace(";", ",").split(",")}
        unknown = sorted(n for n in people - {""} if n.casefold() not in trained)
        missing = _names(unknown, w) if trained else w("check.no_people")
        yield "trained", w("check.trained"), missing


def _set(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, wanted: Requirement,
    w: Words,
) -> Found:  # fmt: skip
    asked = evaluation.questions
    yield "questions", w("check.questions"), _count((asked["state"] == "open").sum(), w)
    for name in ("customer", "site", "contractor"):
        value = getattr(given, name)
        yield name, w("check.party", party=w(f"record.{name}")), "" if value else w("check.empty")
    if given.scope[0] != "job":
        released = any(e.kind == "release" and e.subject == given.scope[1] for e in given.entries)
        yield "release", w("check.release", scope=given.scope[1]), (
            "" if released else w("check.not_released")
        )  # fmt: skip
    due = due_on(results, wanted)
    if due:
        late = given.as_of[:10] > due
        shown = numbers.date(due, w.style)
        yield "due", w("check.due", day=shown), w("check.late") if late else ""


def due_on(results: pd.DataFrame, wanted: Requirement) -> str:
    """Give the ISO day on which the set is due; empty if the profile sets none."""
    if not wanted.due.days:
        return ""
    start = wanted.due.after
    if start == "last-test":
        tested = results.loc[results["taken_at"] != "", "taken_at"]
        if tested.empty:
            return ""
        start = str(tested.str[:10].max())
    day, left = date.fromisoformat(start), wanted.due.days
    while left:
        day += timedelta(days=1)
        left -= wanted.due.count == "calendar" or day.weekday() < 5
    return day.isoformat()


def _months_after(iso: str, months: int) -> str:
    """Give the day `months` later; the last of a shorter month."""
    day = date.fromisoformat(iso)
    month = day.month - 1 + months
    year, month = day.year + month // 12, month % 12 + 1
    for last in (day.day, 30, 29, 28):
        try:
            return date(year, month, min(day.day, last)).isoformat()
        except ValueError:
            continue
    raise AssertionError("every month has 28 days")


def _some(rows: pd.DataFrame, w: Words) -> str:
    if rows.empty:
        return ""
    first = ", ".join(
        f"{r.link_id} {r.wavelength_nm} nm {r.direction} ({w.label('state', r.state)})"
        for r in facts.each(rows.head(3))
    )
    more = len(rows) - 3
    return first + (", " + w("common.and_more", count=numbers.count(more)) if more > 0 else "")


def _links(ids: Iterable[object], w: Words) -> str:
    return _names(dict.fromkeys(ids), w)


def _names(names: Iterable[object], w: Words) -> str:
    listed = [str(name) for name in names]
    more = len(listed) - 5
    text = ", ".join(listed[:5])
    return text + (", " + w("common.and_more", count=numbers.count(more)) if more > 0 else "")


def _count(count: int, w: Words) -> str:
    return w("check.open_questions", count=int(count)) if count else ""
