"""`runs` on the command line: paper written down, changed, shown beside what the readings say."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from desk import terminal
from ingest.job import Job
from ingest.jobtemplate import Beginning
from tests.desk.test_bad_input import glasstally


@pytest.fixture(autouse=True)
def options_forgotten() -> Iterator[None]:
    """The options before the command outlive one command inside this process."""
    yield
    terminal.CHOICES.job = None


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    Job.create(folder, Beginning(name="small"))
    return folder


def test_a_sheet_is_added_changed_and_shown_before_its_dump(job: Path) -> None:
    at = ("--job", str(job))
    assert glasstally(*at, "runs", "add", "S1", "meter=M-21", "ref_850=-19.82").code == 0
    assert glasstally(*at, "runs", "edit", "S1", "meter_end=b").code == 0
    shown = json.loads(glasstally(*at, "runs", "show", "--json").out)
    assert shown["runs"] == []
    assert shown["sheets"][0] == {
        "sheet": "S1", "meter": "M-21", "ref_850": "-19.82", "meter_end": "b",
    }  # fmt: skip
    assert "meets no reading" in glasstally(*at, "runs", "show").out


@pytest.mark.parametrize("values", [("meter",), ("metre=M",), ("meter=M", "meter_end=c")])
def test_a_wrong_column_or_value_changes_nothing(job: Path, values: tuple[str, ...]) -> None:
    at = ("--job", str(job))
    assert glasstally(*at, "runs", "add", "S1", *values).code == 2
    assert json.loads(glasstally(*at, "runs", "show", "--json").out)["sheets"] == []
