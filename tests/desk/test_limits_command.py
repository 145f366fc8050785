"""`limits` on the command line: sources shown, sums spelled out, confirmations journalled."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from desk import terminal
from ingest import planload
from ingest.job import Job
from ingest.jobtemplate import Beginning
from tests.desk.test_bad_input import Done, glasstally

PLAN = """link_id,fibre_type,length_m,connections,splices,directions,wavelengths
A-01,OM3,100,4,0,a-b,850
A-02,OM3,,4,0,a-b,850
"""

OWN = """format = 1
name = "house-rule"
edition = "Owner's specification, section 27 13 00"
[[attenuation]]
fibres = ["OM3"]
wavelengths_nm = [850]
db_per_km = 2.8
clause = "3.2"
"""


@pytest.fixture(autouse=True)
def options_forgotten() -> Iterator[None]:
    """The options before the command outlive one command inside this process."""
    yield
    terminal.CHOICES.job = None


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    Job.create(folder, Beginning(name="small", limits=("tia-568.3-d",)))
    text = (folder / "job.toml").read_text("utf-8")
    cords = '\n[cords]\ngrade = "reference"\nreference_method = 1\n'
    (folder / "job.toml").write_text(text + cords, "utf-8")
    plan = tmp_path / "plan.csv"
    plan.write_text(PLAN, "utf-8")
    planload.load(Job.open(folder), plan)
    return folder


def run(job: Path, *arguments: object) -> Done:
    return glasstally("--job", job, "limits", *arguments)


def test_outside_a_job_the_shipped_sets_are_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = glasstally("limits", "list")
    assert done.code == 0
    assert "ANSI/TIA-568.3-D:2016" in done.out
    assert "their own copy of the standard" in done.out
    listed = json.loads(glasstally("limits", "list", "--json").out)
    assert len(listed) == 10
    assert {row["use"] for row in listed} == {"limit", "planning only"}


def test_a_set_shows_every_value_with_its_source(job: Path) -> None:
    done = run(job, "show", "iso-iec-11801-1-2017")
    assert done.code == 0
    assert "not specified" not in done.out
    for word in ("attenuation", "reference mating", "seen on a public page", "from memory"):
        assert word in done.out
    assert "not specified" in run(job, "show", "en-50173-1-2007").out
    assert run(job, "show", "no-such").code == 2
    assert run(job, "show").code == 2


def test_a_links_limit_is_spelled_out_term_by_term(job: Path) -> None:
    glasstally("--job", job, "rebuild")
    done = run(job, "show", "--link", "A-01")
    assert done.code == 0, done.err
    for part in ("0.1 km x 3.00 =   0.300 dB", "2 x 0.30 =   0.600 dB", "2 x 0.75 =   1.500 dB",
                 "=   2.400 dB", "not confirmed", "Deduction rule: connection"):  # fmt: skip
        assert part in done.out
    assert "No limit: the plan gives no length." in run(job, "show", "--link", "A-02").out
    told = json.loads(run(job, "show", "--link", "A-01", "--json").out)
    assert [term["term"] for term in told["limits"][0]["terms"]] == ["fibre", "ends", "connections"]
    assert run(job, "show", "--link", "A-99").code == 2


def test_a_confirmation_is_shown_and_ends_with_a_change_of_values(job: Path) -> None:
    own = job / "limits" / "house.toml"
    own.write_text(OWN, "utf-8")
    assert run(job, "confirm", "house-rule", "--by", "E. Nuri").code == 0
    assert run(job, "confirm", "tia-568.3-d", "--by", "E. Nuri", "--json").code == 0
    assert "Confirmed by E. Nuri." in run(job, "show", "house-rule").out
    own.write_text(OWN.replace("2.8", "2.9"), "utf-8")
    assert "Not confirmed" in run(job, "show", "house-rule").out
    assert "Confirmed by E. Nuri." in run(job, "show", "tia-568.3-d").out
    assert run(job, "confirm", "no-such", "--by", "E. Nuri").code == 2


def test_a_broken_own_set_is_named_by_file_and_key(job: Path) -> None:
    (job / "limits" / "house.toml").write_text(OWN.replace("2.8", "'x'"), "utf-8")
    done = run(job, "list")
    assert done.code == 2
    assert "limits/house.toml: attenuation[1].db_per_km" in done.err


def test_findings_say_what_they_mean_and_what_to_do(demo_job: Path) -> None:
    done = glasstally("--job", demo_job, "findings", "--severity", "stop")
    assert done.code == 0, done.err
    assert "reference-drift: the closing check" in done.out
    assert "To do:" in done.out
    rows = json.loads(glasstally("--job", demo_job, "findings", "--json").out)
    assert [row["severity"] for row in rows] == sorted(
        (row["severity"] for row in rows), key=["stop", "check", "note"].index
    )
    one = next(row for row in rows if row["link_id"])
    of_link = json.loads(
        glasstally("--job", demo_job, "findings", "--link", one["link_id"], "--json").out
    )
    assert {row["link_id"] for row in of_link} == {one["link_id"]}
    assert "Rule and threshold:" in glasstally("findings", "--explain", one["code"]).out
    assert "Perhaps:" in glasstally("findings", "--explain", "limit").err
    assert glasstally("--job", demo_job, "findings", "--severity", "bad").code == 2


def test_a_links_status_shows_uncertainty_and_applications(demo_job: Path) -> None:
    link = next(
        row["link_id"]
        for row in json.loads(
            glasstally("--job", demo_job, "export", "grades", "--format", "json").out
        )
        if row["grade"] == "pass" and row["kind"] == "link"
    )
    done = glasstally("--job", demo_job, "status", "--link", link)
    assert done.code == 0, done.err
    for part in ("Uncertainty at", "mating", "Applications supported", "not supported"):
        assert part in done.out
    told = json.loads(glasstally("--job", demo_job, "status", "--link", link, "--json").out)
    for budget in told["uncertainty"]:
        total = sum(part["u_db"] ** 2 for part in budget["parts"]) ** 0.5
        assert budget["uncertainty_db"] == pytest.approx(2 * total, abs=2e-3)
    assert any(row["supported"] for row in told["applications"])
    assert all(row["why"] for row in told["applications"] if not row["supported"])
