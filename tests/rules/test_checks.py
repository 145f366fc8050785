"""The checks against planted faults, sound jobs, the order of rows, and their own papers."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rules import checks
from rules.checks.thresholds import THRESHOLDS
from rules.codes.checking import CHECKING
from rules.codes.findings import FINDINGS
from rules.evaluation import Decisions
from rules.tables import ANSWERS, conform
from tests.rules import clean_job, injector, stages
from tests.rules.clean_job import Job

JUDGING = 900
"""First seed of jobs on which nothing was tuned."""
OF_OTHER_TESTS = ("power-loss-disagree", "splitter-uneven")
"""Codes that jobs of links cannot show: `test_kinds` does."""
SMALL = [("OS2", 24)] * 5 + [("OM4", 24)] * 4
SOUND = clean_job.make(JUDGING, SMALL)


def found_in(outcome: stages.Outcome, planted: injector.Planted) -> bool:
    return any(
        (outcome.found["code"] == code).any()
        and (not planted.rows or bool(outcome.touched(code) & planted.rows))
        for code in planted.codes
    )


@pytest.mark.parametrize("name", injector.FAULTS)
def test_each_planted_fault_is_found(name: str) -> None:
    # wear shows over hundreds of matings only
    sound = clean_job.make(JUDGING) if name.startswith("48") else SOUND
    job, planted = injector.plant(sound, JUDGING, name)
    assert found_in(stages.run(job), planted[0])


def test_a_sound_job_is_left_in_peace() -> None:
    counts: Counter[str] = Counter()
    readings, stopped = 0, 0
    for seed in (JUDGING + 1,):
        job = clean_job.make(seed)
        outcome = stages.run(job)
        readings += len(job.stored)
        counts.update(outcome.found["severity"])
        stops = set(outcome.found.loc[outcome.found["severity"] == "stop", "code"])
        stopped += sum(len(outcome.touched(code)) for code in stops)
    assert 1000 * stopped / readings < 1
    assert 1000 * counts["check"] / readings < 5


SEEDS = range(JUDGING, JUDGING + 4)
SEVERE = {"stop": 1.0, "check": 5.0}
"""Fewer false alarms than these per 1000 clean readings."""


@pytest.mark.long
def test_false_alarms_on_sound_jobs() -> None:
    """Print false alarms per code; hold readings stopped and checks to the aims."""
    false: Counter[tuple[str, str]] = Counter()
    readings, stopped = 0, 0
    for seed in range(JUDGING, JUDGING + 10):
        outcome = stages.run(clean_job.make(seed))
        readings += len(outcome.working)
        false.update(zip(outcome.found["severity"], outcome.found["code"], strict=True))
        stops = set(outcome.found.loc[outcome.found["severity"] == "stop", "code"])
        stopped += sum(len(outcome.touched(code)) for code in stops)
    for (severity, code), n in sorted(false.items()):
        print(f"{1000 * n / readings:8.2f} per 1000 clean readings  {severity:5} {code}")
    print(f"{1000 * stopped / readings:8.2f} readings stopped per 1000", flush=True)
    assert 1000 * stopped / readings < SEVERE["stop"]
    for severe, most in SEVERE.items():
        total = sum(n for (severity, _), n in false.items() if severity == severe)
        assert 1000 * total / readings < most, severe


@pytest.mark.long
def test_detection_alone() -> None:
    """Print the detection rate of each fault; 95 % of large faults must be found."""
    jobs = {seed: clean_job.make(seed) for seed in SEEDS}
    rates = {}
    for name in injector.FAULTS:
        hits = []
        for seed, job in jobs.items():
            faulty, planted = injector.plant(job, seed, name)
            hits.append(found_in(stages.run(faulty), planted[0]))
        rates[name] = np.mean(hits)
        print(f"{rates[name]:6.0%}  {name}", flush=True)
    print(f"{np.mean(list(rates.values())):6.1%}  of all", flush=True)
    assert np.mean(list(rates.values())) >= 0.95
    assert min(rates.values()) >= 0.5


@pytest.mark.long
def test_detection_in_pairs() -> None:
    """Plant two faults at once, each fault in at least two pairs; print what was missed."""
    jobs = {seed: clean_job.make(seed) for seed in SEEDS}
    rng = np.random.default_rng(JUDGING)
    names = list(injector.FAULTS)
    pairs = [pair for _ in range(2) for pair in _couples(list(rng.permutation(names)))]
    hits = []
    for number, pair in enumerate(pairs):
        seed = SEEDS[number % len(SEEDS)]
        faulty, planted = injector.plant(jobs[seed], seed, *pair)
        outcome = stages.run(faulty)
        found = [found_in(outcome, one) for one in planted]
        hits += found
        missed = [name for name, hit in zip(pair, found, strict=True) if not hit]
        if missed:
            print(f"missed {missed} in {pair}, seed {seed}", flush=True)
    print(f"{np.mean(hits):6.1%}  of {len(hits)} faults in {len(pairs)} pairs", flush=True)
    assert np.mean(hits) >= 0.9


def _couples(names: list[str]) -> list[tuple[str, str]]:
    return [(str(a), str(b)) for a, b in zip(names[::2], names[1::2], strict=False)]


def small(seed: int) -> Job:
    return clean_job.make(seed, [("OS2", 24), ("OM4", 24), ("OS2", 12)])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_order_of_rows_and_dumps_changes_nothing(seed: int) -> None:
    job, _ = injector.plant(small(seed), seed, "40 reference step", "64 dark", "54 bend",
                            "17 relabelled in a later dump")  # fmt: skip
    expected = stages.run(job)
    mixed = job.stored.sample(frac=1.0, random_state=seed).reset_index(drop=True)
    sheets = job.sheets.sheets.sample(frac=1.0, random_state=seed)
    turned = replace(job.with_stored(mixed), sheets=replace(job.sheets, sheets=sheets))
    got = stages.run(turned)
    pd.testing.assert_frame_equal(got.findings, expected.findings)
    pd.testing.assert_frame_equal(got.questions, expected.questions)
    pd.testing.assert_frame_equal(got.runs, expected.runs)
    assert len(expected.findings)


def test_one_moved_cord_is_one_question() -> None:
    job, planted = injector.plant(SOUND, 5, "40 reference step")
    outcome = stages.run(job)
    asked = outcome.questions.set_index("question_id")
    mine = outcome.findings.loc[outcome.findings["code"] == "reference-step", "question_id"]
    question = asked.loc[mine.iloc[0]]
    assert planted[0].rows <= set(json.loads(question["reading_ids"]))
    touching = [
        code for code, ids in zip(asked["code"], asked["reading_ids"], strict=True)
        if planted[0].rows & set(json.loads(ids))
    ]  # fmt: skip
    assert len(touching) <= 2  # a link that was an outlier before may still be asked about


def test_an_accepted_value_no_longer_stops_and_says_by_whom() -> None:
    job, planted = injector.plant(SOUND, 7, "62 exactly zero")
    before = stages.run(job)
    zero = before.findings.loc[before.findings["code"] == "loss-zero"]
    assert list(zero["severity"]) == ["stop"]
    answer = pd.DataFrame(
        {"question_id": zero["question_id"], "action": "accept-value", "who": "Iva Kern",
         "at": "2026-03-20T08:00:00Z", "why": "cord measured by mistake",
         "reading_ids": json.dumps(sorted(planted[0].rows))}
    )  # fmt: skip
    after = stages.run(replace(job, decisions=Decisions(conform(answer, ANSWERS))))
    zero = after.findings.loc[after.findings["code"] == "loss-zero"]
    assert list(zero["severity"]) == ["note"]
    assert "Iva Kern on 2026-03-20" in zero["message"].iloc[0]


def test_thresholds_are_those_of_the_job() -> None:
    job, planted = injector.plant(SOUND, 8, "73 outlier")
    strict = replace(job.settings, thresholds=(("outlier_db", 5.0),))
    assert found_in(stages.run(job), planted[0])
    assert not found_in(stages.run(replace(job, settings=strict)), planted[0])


def test_every_code_has_a_check_and_every_threshold_is_used() -> None:
    made = {code for check in checks.CHECKS.values() for code in check.codes}
    assert {code.slug for code in CHECKING} <= made
    assert made <= set(FINDINGS)
    source = "".join(
        path.read_text(encoding="utf-8") for path in Path(checks.__file__).parent.glob("*.py")
    )
    for name in THRESHOLDS:
        assert source.count(name) > 1 or name.startswith("typical_"), name


def test_every_code_of_a_check_has_a_planted_fault_and_its_source() -> None:
    rooms = Path(checks.__file__).parents[2]
    developers = (rooms / "DEVELOPERS.md").read_text(encoding="utf-8")
    planted = (rooms / "tests/rules/injector.py").read_text(encoding="utf-8")
    for check in checks.CHECKS.values():
        for code in check.codes:
            assert f"`{code}`" in developers, code
            assert f'"{code}"' in planted or code in OF_OTHER_TESTS, code


def test_an_empty_job_has_no_findings_and_no_trouble() -> None:
    job = small(4)
    outcome = stages.run(job.with_stored(job.stored.iloc[:0]))
    assert set(outcome.findings["code"]) <= {"sheet-unused", "length-same"}
    bare = replace(job, plan=replace(job.plan, links=job.plan.links.iloc[:0]))
    assert len(stages.run(bare).runs)


def test_the_digits_test_is_off_unless_the_job_asks() -> None:
    job, _ = injector.plant(SOUND, 9, "72 invented digits")
    off = replace(job, settings=replace(job.settings, thresholds=()))
    assert "last-digits" not in set(stages.run(off).found["code"])
