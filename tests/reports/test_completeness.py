"""Requirement profiles: what they find open, and that meeting them is possible."""

from dataclasses import replace

import pandas as pd
import pytest

from reports import completeness, facts, requirements, resources
from reports.particulars import Certificate
from rules.settings import Instrument
from tests.reports import sample


@pytest.fixture(scope="module")
def evaluation():
    return sample.evaluation(40)


def _open(evaluation, given, wanted):
    items = completeness.check(evaluation, given, facts.results(evaluation), wanted)
    return {item.key: item for item in items if not item.met}


@pytest.mark.parametrize("name", resources.requirement_names())
def test_shipped_profiles_are_read_and_find_what_is_open(evaluation, name):
    wanted = requirements.read(resources.requirement(name))
    found = _open(evaluation, sample.particulars(), wanted)
    assert {"complete", "calibration", "questions"} <= set(found)
    assert "C001-01 1300 nm a-b (failed)" in found["complete"].missing
    assert found["calibration"].missing.startswith("MB-2002")


def test_three_profiles_together_cover_what_owners_ask_for():
    wanted = [requirements.read(resources.requirement(n)) for n in resources.requirement_names()]
    assert len(wanted) == 3
    assert {w.tests.judged for w in wanted} == {"mean", "each", "any"}
    assert {w.set.length_unit for w in wanted} == {"m", "ft"}
    assert any(w.instruments.certificates for w in wanted)
    assert all(w.instruments.calibration_months == 12 for w in wanted)
    assert any(w.set.folders for w in wanted)
    assert all(w.due.days for w in wanted)
    asked = set().union(*(w.fields for w in wanted))
    assert asked >= {"tube", "strand", "polarity", "people", "reference_dbm", "length_m"}


def test_a_complete_job_meets_the_warranty(evaluation):
    good = evaluation.test_states["state"].isin(("accepted",))
    kept = evaluation.test_states.loc[good, "link_id"].value_counts()
    links = set(kept.index[kept == 4])
    whole = facts.restrict(evaluation, "cable", "C002")

    def of(frame):
        return frame.loc[frame["link_id"].isin(links)].reset_index(drop=True)

    whole = replace(
        whole, plan=replace(whole.plan, links=of(whole.plan.links)), planned=of(whole.planned),
        test_states=of(whole.test_states), grades=of(whole.grades), pairs=of(whole.pairs),
        questions=whole.questions.head(0),
    )  # fmt: skip
    settings = replace(
        sample.settings(), operators=("A. Berg", "C. Dahl"),
        instruments=(
            Instrument("MA-1001", "meter", "meter A", "2026-03-02", "2027-03-02"),
            Instrument("MB-2002", "meter", "meter B", "2026-03-02", "2027-03-02"),
            Instrument("S-77", "source", "source A", "2026-03-02", "2027-03-02"),
        ),
    )  # fmt: skip
    papers = tuple(Certificate(s, f"{s}.pdf", "0" * 64) for s in ("MA-1001", "MB-2002", "S-77"))
    given = sample.particulars(settings=settings, certificates=papers)
    given = replace(given, limits=tuple(replace(note, confirmed=True) for note in given.limits))
    wanted = requirements.read(resources.requirement("system-warranty"))
    assert _open(whole, given, wanted) == {}


@pytest.mark.parametrize(
    ("due", "last", "expected"),
    [({"days": 2, "count": "working"}, "2026-11-20", "2026-11-24"),
     ({"days": 14, "count": "calendar"}, "2026-11-20", "2026-12-04"),
     ({"days": 1, "count": "working", "after": "2026-12-31"}, "2026-11-20", "2027-01-01"),
     ({"days": 0}, "2026-11-20", "")],
)  # fmt: skip
def test_the_day_on_which_a_set_is_due(due, last, expected):
    results = pd.DataFrame({"taken_at": ["", f"{last}T10:00:00+01:00"]}, dtype="str")
    wanted = requirements.Requirement(due=requirements.Due(**due))
    assert completeness.due_on(results, wanted) == expected


def test_the_last_day_of_a_shorter_month():
    assert completeness._months_after("2024-02-29", 12) == "2025-02-28"
    assert completeness._months_after("2026-03-31", 1) == "2026-04-30"
    assert completeness._months_after("2026-11-30", 3) == "2027-02-28"


def test_an_advisory_item_is_reported_but_not_required(evaluation):
    wanted = requirements.Requirement(
        due=requirements.Due(days=1, after="2026-01-01"), advisory=("due",)
    )
    found = _open(evaluation, sample.particulars(), wanted)
    assert not found["due"].required
    assert found["complete"].required


def test_a_scope_must_be_released(evaluation):
    given = sample.particulars(scope=("cable", "C001"))
    found = _open(evaluation, given, requirements.Requirement())
    assert found["release"].missing == "not released"
    entry = replace(given.entries[0], kind="release", subject="C001")
    given = replace(given, entries=(*given.entries, entry))
    assert "release" not in _open(evaluation, given, requirements.Requirement())


def test_the_mean_is_listed_for_information_only(evaluation):
    plain, listed = facts.results(evaluation), facts.results(evaluation, list_mean=True)
    extra = listed.loc[listed["direction"] == "mean"]
    pairs = plain.loc[plain["loss_db"].notna()].groupby(["link_id", "wavelength_nm"])["loss_db"]
    assert len(extra) == (pairs.size() == 2).sum()
    assert (extra["grade"] == "").all()
    one = extra.iloc[0]
    both = plain.loc[
        (plain["link_id"] == one["link_id"]) & (plain["wavelength_nm"] == one["wavelength_nm"])
    ]
    assert one["loss_db"] == pytest.approx(both["loss_db"].mean(), abs=0.0005)
    with_grade = listed.loc[listed["direction"] != "mean"].drop(columns="row")
    pd.testing.assert_frame_equal(
        with_grade.reset_index(drop=True), plain.drop(columns="row"), check_dtype=False
    )


def test_a_scope_holds_only_its_links(evaluation):
    part = facts.restrict(evaluation, "cable", "C001")
    assert set(part.plan.links["cable"]) == {"C001"}
    assert set(part.grades["link_id"]) <= set(part.plan.links["link_id"])
    assert facts.job_row(part)["planned"] == 96
    with pytest.raises(KeyError, match="C001, C002"):
        facts.restrict(evaluation, "cable", "C777")
