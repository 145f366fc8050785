from __future__ import annotations

from dataclasses import fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import jobfile, jobtemplate
from ingest.errors import BadInput
from rules import settings as rules_settings


def refused(text: str) -> tuple[str, ...]:
    with pytest.raises(BadInput) as caught:
        jobfile.read(text)
    return caught.value.lines


def test_the_template_reads_back_as_the_defaults() -> None:
    text = jobtemplate.template(jobtemplate.Beginning("a job", limits=("x", "y")))
    assert jobfile.read(text).settings() == rules_settings.Settings(name="a job", limits=("x", "y"))


def test_every_commented_default_of_the_template_is_the_default() -> None:
    text = jobtemplate.template(jobtemplate.Beginning("a job"))
    live = []
    for line in text.splitlines():
        body = line.removeprefix("# ")
        if line.startswith(("# [[", "# [cords]")):
            break  # from here on the comments are examples, not defaults
        if line.startswith("# ") and (" = " in body.split("#")[0] or body.startswith("[")):
            live.append(body)
        elif not line.startswith("#"):
            live.append(line)
    assert jobfile.read("\n".join(live)).settings() == rules_settings.Settings(name="a job")


@pytest.mark.parametrize(
    ("mine", "theirs"),
    [
        (jobfile.JobFile, rules_settings.Settings),
        (jobfile.References, rules_settings.ReferenceRules),
        (jobfile.Uncertainty, rules_settings.Uncertainty),
        (jobfile.Instrument, rules_settings.Instrument),
        (jobfile.Cords, rules_settings.Cords),
        (jobfile.Window, rules_settings.Window),
    ],
)
def test_job_toml_knows_every_setting_of_the_rules(mine: type, theirs: type) -> None:
    own = set(mine.model_fields) - {"format", "ports", "settle_seconds"}
    assert own == {field.name for field in fields(theirs)}


@settings(derandomize=True, max_examples=50)
@given(st.text(st.characters(exclude_categories=["Cs"])).filter(bool))
def test_any_name_survives_the_template(name: str) -> None:
    assert jobfile.read(jobtemplate.template(jobtemplate.Beginning(name))).name == name


def test_more_keys_and_tables_go_into_the_template() -> None:
    more = {
        "operators": ["A", "B"], "name": "other", "cords": {"grade": "standard"},
        "instruments": [{"serial": "M1", "kind": "meter"}],
    }  # fmt: skip
    read = jobfile.read(jobtemplate.template(jobtemplate.Beginning("a"), more)).settings()
    assert (read.name, read.operators, read.cords.grade) == ("other", ("A", "B"), "standard")
    assert read.instruments[0].serial == "M1"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('tmezone = "UTC"', "job.toml: tmezone: unknown key; did you mean timezone?"),
        ("name = 3", "job.toml: name: found 3; allowed: text in quotes."),
        ('timezone = "Nowhere/X"', 'job.toml: timezone: found "Nowhere/X"; allowed: the name of'),
        ('coverage_factor = "a"', 'job.toml: coverage_factor: found "a"; allowed: a number.'),
        ("coverage_factor = 9", "job.toml: coverage_factor: found 9; allowed: a number ≤ 4."),
        ("coverage_factor = true", "job.toml: coverage_factor: found true; allowed: a number."),
        ('decision_rule = "x"', "allowed: 'simple' or 'guarded'."),
        ('accepted_grades = ["no-limit"]', 'accepted_grades[1]: found "no-limit"; allowed: one of'),
        ("[references]\nwarn_hours = 20", "references: found a table; allowed: warn_hours <="),
        ("[references]\nhours = 1", "references.hours: unknown key;"),
        ("[[instruments]]\nserial = 'a'", "instruments[1].kind: missing; allowed: a value."),
        ("[[ports]]\nport='a'\nspeed=1", "ports[1].speed: found 1; allowed: a number ≥ 50."),
        ("started_on = 'soon'", 'started_on: found "soon"; allowed: a day such as'),
        ("format = 2", "job.toml: format 2 is newer than this version reads (1)"),
        ("limits = [", "job.toml: not valid TOML: "),
        ("cords = 3", "job.toml: cords: found 3; allowed: a table."),
    ],
)
def test_one_line_per_mistake_names_key_found_and_allowed(text: str, line: str) -> None:
    name = "" if text.startswith("name") else 'name = "x"\n'
    lines = refused(name + text)
    assert len(lines) == 1
    assert line in lines[0]


def test_all_mistakes_are_told_at_once() -> None:
    assert len(refused('name = 3\nfoo = 1\ndirections = "up"')) == 3


def test_a_day_may_be_a_toml_day() -> None:
    assert jobfile.read('name = "x"\nstarted_on = 2026-03-02').started_on == "2026-03-02"
