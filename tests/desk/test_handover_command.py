"""`glasstally handover` as people and scripts use it: text, JSON, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest import acts, intake, planload
from tests.desk.test_bad_input import Done, glasstally
from tests.ingest import sample

PLAN = "\n".join(
    ["link_id,cable,area,fibre_type,length_m,connections,a_end,b_end,environment,wavelengths"]
    + [
        f"{cable}.{n:02d},{cable},{area},OM3,{50 + n},2,P{cable}:{n},Q{cable}:{n},inside,850"
        for cable, area in (("1A", "Hall"), ("1B", "Annex"))
        for n in range(1, 5)
    ]
) + "\n"  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of two cables with a dump of one of them, released."""
    place = tmp_path_factory.mktemp("commanded")
    job = sample.new_job(place / "job")
    (place / "plan.csv").write_text(PLAN)
    planload.load(job, place / "plan.csv")
    rows = "".join(
        f"{i},1A.{i:02d},,850,A>B,,,{loss},ok,2026-03-02 07:{i:02d}:00\n"
        for i, loss in enumerate((0.41, 0.47, 0.38, 0.52), 1)
    )
    (place / "dump.csv").write_bytes((sample.HEAD + rows).encode())
    intake.take(job, [place / "dump.csv"], by="crew")
    acts.release(job, "1A", by="lead", why="all measured")
    acts.confirm_limit(job, "tia-568.3-d", by="lead")
    return Path(job.folder)


def _run(folder: Path, *arguments: object) -> Done:
    return glasstally("--job", folder, "handover", *arguments)


@pytest.fixture(scope="module")
def part(folder: Path) -> dict[str, object]:
    """The handover of the released cable, made as a script makes it."""
    done = _run(folder, "--scope", "cable:1A", "--links", "1A.02", "--json")
    assert done.code == 0, done.err
    value: dict[str, object] = json.loads(done.out)
    return value


def test_a_part_is_a_complete_numbered_set(part: dict[str, object]) -> None:
    made = Path(str(part["folder"]))
    assert made.name == "0001-cable-1A"
    assert part["new"] is True
    rows = json.loads((made / "data" / "results.json").read_text())["rows"]
    assert len(rows) == 4
    assert (made / "links.pdf").is_file()


def test_a_part_lists_the_rest_of_the_job(part: dict[str, object]) -> None:
    import pypdfium2

    pdf = pypdfium2.PdfDocument(Path(str(part["folder"])) / "record.pdf")
    text = "\n".join(page.get_textpage().get_text_range() for page in pdf)
    rest = text[text.index("The rest of the job", text.index("What proves") // 2) :]
    assert "1B 4 0 0 4" in rest
    assert "Cable 1A" in text


def test_verify_needs_no_job(part: dict[str, object], tmp_path: Path) -> None:
    done = glasstally("handover", "--verify", part["folder"])
    assert done.code == 0, done.out
    assert "The set is as it was made." in done.out
    record = Path(str(part["folder"])) / "record.pdf"
    moved = tmp_path / "record.pdf"
    moved.write_bytes(record.read_bytes())
    record.unlink()
    done = glasstally("handover", "--verify", part["folder"], "--json")
    record.write_bytes(moved.read_bytes())
    assert done.code == 3
    failing = {claim["what"] for claim in json.loads(done.out) if not claim["holds"]}
    assert "no file is missing or added" in failing


def test_check_goes_through_the_requirements(folder: Path) -> None:
    none = _run(folder, "--check")
    assert (none.code, "no requirements.toml" in none.out) == (0, True)
    adopted = _run(folder, "--requirements", "system-warranty")
    assert adopted.code == 0
    open_ = _run(folder, "--check", "--scope", "cable:1A")
    assert open_.code == 1
    assert "OPEN  Calibration certificates are in the set" in open_.out
    assert "met   1A is released for handover" in open_.out
    items = json.loads(_run(folder, "--check", "--json").out)
    assert {"key", "asked", "met", "missing", "required"} == set(items[0])
    refused = _run(folder)
    assert refused.code == 2
    assert "--draft" in refused.err
    (folder / "requirements.toml").unlink()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [(("--scope", "1A"), "KIND:NAME"), (("--scope", "cable:9Z"), "there are 1A, 1B"),
     (("--again", "7"), "There is no revision 7"), (("--verify", "nowhere"), "no handover"),
     (("--draft", "--links", "9Z.01"), "No such link: 9Z.01"),
     (("--requirements", "nobody"), "campus-mean")],
)  # fmt: skip
def test_wrong_usage_is_one_clear_message(
    folder: Path, part: dict[str, object], arguments: tuple[str, ...], said: str
) -> None:
    done = _run(folder, *arguments)
    assert done.code == 2
    assert said in done.err
    assert "Traceback" not in done.err
