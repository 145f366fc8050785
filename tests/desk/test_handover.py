"""Handovers of a small real job: numbering, sameness, proof, remaking, requirements."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pikepdf
import pytest

from desk import handover, proof, remake, revisions
from ingest import acts, derive, intake, planload
from ingest.errors import BadInput
from ingest.job import Job
from tests.ingest import sample

OPTIONS = handover.Options(draft=True)

LOSSES = (0.41, 0.47, 0.38, 0.52, 0.44, 0.49, 0.36, 0.43, 2.92, 0.40, 0.51, 0.46)
DUMP = (
    sample.HEAD.encode()
    + "".join(
        f"{i},1A.{i:02d},,850,A>B,,,{loss:.2f},ok,2026-03-02 07:{i:02d}:00\n"
        for i, loss in enumerate(LOSSES, 1)
    ).encode()
)
"""A whole panel of different losses, one of them too high: equal ones would be doubted."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a job with a plan, a dump of an odd name, and its first handover."""
    folder = tmp_path_factory.mktemp("handed")
    job = sample.new_job(folder / "job")
    planload.load(job, sample.write_plan(folder))
    dump = folder / "=monday (1).csv"
    dump.write_bytes(DUMP)
    intake.take(job, [dump], by="crew")
    handover.make(job, OPTIONS)
    return job.folder


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Job:
    """A copy of that job."""
    shutil.copytree(made, tmp_path / "job")
    return replace(Job.open(tmp_path / "job"), clock=sample.Clock("2026-03-05T08:00:00"))


def _hashes(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


def test_unchanged_state_makes_no_new_revision(job: Job) -> None:
    before = _hashes(job.folder / "handover")
    again = handover.make(job, OPTIONS)
    assert not again.new
    assert again.revision == 1
    assert _hashes(job.folder / "handover") == before


def test_the_whole_set_is_there_and_proves_itself(made: Path) -> None:
    folder = made / "handover" / "0001"
    names = set(_hashes(folder))
    wanted = {"record.pdf", "workbook.xlsx", "retests.pdf", "retests.html", "sample.pdf",
              "superseded/superseded.pdf", "data/results.csv", "data/results.json",
              "data/results.parquet", "data/schema/results.schema.json", "manifest.sha256",
              "data/administration.csv", "revision.json"}  # fmt: skip
    assert wanted <= names
    claims = proof.prove(folder)
    assert [(c.what, c.found) for c in claims if not c.holds] == []


def test_originals_are_untouched_and_safely_named(made: Path) -> None:
    (kept,) = (made / "handover" / "0001" / "originals").iterdir()
    assert kept.name.endswith("-monday_1_.csv")
    assert kept.read_bytes() == DUMP


def test_any_sha256_tool_can_check_the_manifest(made: Path) -> None:
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum on this machine")
    folder = made / "handover" / "0001"
    done = subprocess.run(
        [tool, "--check", "--strict", "manifest.sha256"], cwd=folder, capture_output=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    assert done.stdout.count(b": OK") == len(_hashes(folder)) - 1


def test_a_second_revision_is_a_full_set_that_says_what_changed(job: Job) -> None:
    acts.waive(job, ["1A.09"], why="spare, agreed on site", by="lead")
    second = handover.make(job, OPTIONS)
    assert (second.new, second.revision) == (True, 2)
    about = json.loads((second.folder / "revision.json").read_text())
    (change,) = about["changes"]
    assert (change["link_id"], change["before"]) == ("1A.09", "2.920 fail")
    assert change["now"] == "2.920 fail waived"
    assert about["previous"] == 1
    data = json.loads((second.folder / "data" / "results.json").read_text())
    assert len(data["rows"]) == 12


@pytest.mark.long
def test_revisions_are_made_again_to_the_byte(job: Job, tmp_path: Path) -> None:
    acts.waive(job, ["1A.09"], why="spare, agreed on site", by="lead")
    handover.make(job, OPTIONS)
    for number in (1, 2):
        again = remake.again(job, number, tmp_path / f"again-{number}")
        assert again.differs == ()
        made = job.folder / "handover" / f"{number:04d}"
        assert _hashes(tmp_path / f"again-{number}") == _hashes(made)


def _claims(folder: Path) -> set[str]:
    return {claim.what for claim in proof.prove(folder) if not claim.holds}


def test_a_changed_byte_is_found(job: Job) -> None:
    folder = job.folder / "handover" / "0001"
    path = folder / "data" / "results.csv"
    path.write_bytes(path.read_bytes().replace(b"0.41", b"0.40", 1))
    assert {"every file is as the manifest lists it",
            "CSV, JSON and Parquet hold the same results"} <= _claims(folder)  # fmt: skip


def test_changed_data_with_a_matching_manifest_is_still_found(job: Job) -> None:
    """Whoever alters the data and mends every hash cannot mend the printed numbers."""
    folder = job.folder / "handover" / "0001"
    path = folder / "data" / "results.json"
    old = hashlib.sha256(path.read_bytes()).hexdigest()
    value = json.loads(path.read_text())
    loss = value["columns"].index("loss_db")
    value["rows"][0][loss] = 0.31
    path.write_text(json.dumps(value))
    manifest = folder / "manifest.sha256"
    new = hashlib.sha256(path.read_bytes()).hexdigest()
    manifest.write_text(manifest.read_text().replace(old, new))
    failing = _claims(folder)
    assert "every file is as the manifest lists it" not in failing
    assert {"the record prints the numbers of the data", "the workbook holds the numbers of the "
            "data", "the record names the job head and every hash"} <= failing  # fmt: skip


def test_a_broken_chain_and_a_stray_file_are_found(job: Job) -> None:
    folder = job.folder / "handover" / "0001"
    (path,) = (folder / "journal").iterdir()
    path.write_bytes(path.read_bytes().replace(b"crew", b"boss", 1))
    (folder / "extra.txt").write_text("x")
    assert {"the journal is one unbroken chain up to the job head",
            "no file is missing or added"} <= _claims(folder)  # fmt: skip


def test_torn_files_are_findings_and_no_crash(job: Job) -> None:
    folder = job.folder / "handover" / "0001"
    for name in ("record.pdf", "workbook.xlsx", "data/results.parquet", "data/results.json"):
        path = folder / name
        path.write_bytes(path.read_bytes()[:100])
    assert len(_claims(folder)) >= 4


def test_a_folder_that_is_no_handover_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no handover"):
        proof.prove(tmp_path)


def test_requirements_hold_a_final_issue_back_until_met(job: Job, tmp_path: Path) -> None:
    revisions.adopt(job, "municipal-each")
    with pytest.raises(handover.Incomplete) as refused:
        handover.make(job)
    keys = {item.key for item in refused.value.items}
    assert {"complete", "directions", "contractor", "tube"} <= keys
    assert len(revisions.listed(job.folder / "handover")) == 1
    draft = handover.make(job, OPTIONS)
    assert draft.new
    assert (draft.folder / "Native files").is_dir()
    assert (draft.folder / "Spreadsheets" / "workbook.xlsx").is_file()
    assert _claims(draft.folder) == set()
    wanted = 'format = 1\nadvisory = ["questions"]\n'
    wanted += '[set]\ncontractor = "Crew & Co"\n[tests]\ncomplete = false\n'
    (job.folder / "requirements.toml").write_text(wanted)
    (job.folder / "job.toml").write_text(
        (job.folder / "job.toml").read_text().replace('customer = ""', 'customer = "Trust"')
        .replace('site = ""', 'site = "Quay"')
    )  # fmt: skip
    job = replace(Job.open(job.folder), clock=job.clock)
    with pytest.raises(handover.Incomplete) as refused:
        handover.make(job)
    assert [item.key for item in refused.value.items if item.required] == ["limits_confirmed"]
    acts.confirm_limit(job, "tia-568.3-d", by="Ada Berg")
    final = handover.make(job)
    assert final.new
    with pikepdf.open(final.folder / "record.pdf") as pdf:
        assert "Crew & Co" in str(pdf.open_metadata()["dc:creator"])


@pytest.mark.parametrize(
    ("text", "said"),
    [("format = 2", "format"), ("[set]\npaper = 'a5'", "set.paper"), ("x = 1", "x: "),
     ("[set]\nfolders = { data = '../up' }", "set.folders.data"), ("[", "not TOML"),
     ("fields = ['colour']", "fields.0")],
)  # fmt: skip
def test_a_wrong_profile_is_named_key_by_key(job: Job, text: str, said: str) -> None:
    (job.folder / "requirements.toml").write_text(text)
    with pytest.raises(BadInput, match=said):
        handover.make(job, OPTIONS)


def test_adopting_never_replaces_another_profile(job: Job) -> None:
    revisions.adopt(job, "campus-mean")
    with pytest.raises(BadInput, match="there already"):
        revisions.adopt(job, "system-warranty")
    with pytest.raises(BadInput, match="campus-mean"):
        revisions.adopt(job, "nothing-like-it")


def test_scope_must_exist(job: Job) -> None:
    with pytest.raises(BadInput, match="KIND:NAME"):
        handover.scope_of("C001")
    with pytest.raises(BadInput, match="No cable 'C9'"):
        handover.make(job, handover.Options(("cable", "C9"), draft=True))


def test_a_failed_making_leaves_nothing_behind(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("reports.handover.manifest", full)
    before = sorted((job.folder / "handover").iterdir())
    with pytest.raises(Exception, match="disk is full"):
        handover.make(job, handover.Options(draft=True, links="1A.01"))
    assert sorted((job.folder / "handover").iterdir()) == before


def test_without_a_profile_a_final_issue_still_waits_for_the_limits(job: Job) -> None:
    with pytest.raises(handover.Incomplete, match=r"confirmed: tia-568\.3-d"):
        handover.make(job)
    acts.confirm_limit(job, "tia-568.3-d", by="Ada Berg")
    assert not [item for item in handover.prepare(job, handover.Options()).items if not item.met]


def test_what_is_for_the_supervisor_alone_is_not_handed_over(job: Job) -> None:
    asked = "\n[thresholds]\ndigits_on = 1\ndigits_values = 5\ndigits_chance = 1.0\n"
    with (job.folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write(asked)
    job = Job.open(job.folder)
    assert "last-digits" in set(derive.derive(job).findings["code"])
    ready = handover.prepare(job, OPTIONS)
    assert "last-digits" not in set(ready.dossier.evaluation.findings["code"])
    assert len(ready.dossier.evaluation.findings)
