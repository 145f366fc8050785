"""`pairing fit` journals what it found, and readings are paired by it from then on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest import given, store
from ingest.job import Job
from rules.pairing import Parameters, fit
from tests.desk.test_question_commands import run


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit, "LEAST_RECORDS", 100)
    monkeypatch.setattr(fit, "MOST_UNITS", 100)
    monkeypatch.setattr(fit, "CARES", (0.4,))
    monkeypatch.setattr(fit, "ROUNDS", 1)


def used(job: Path) -> Parameters:
    with store.reader(Job.open(job).store) as connection:
        return given.parameters(connection)


def test_a_fit_is_told_journalled_and_used(job_copy: Path) -> None:
    assert used(job_copy).fitted_at == ""
    shown = run(job_copy, "pairing", "fit", "--by", "A. Tester")
    now = used(job_copy)
    assert now.fitted_at
    assert f"skip            {now.skip:.4f}  a port is passed over" in shown
    assert "measured again at once" in shown
    assert now.calibration != Parameters().calibration
    with store.reader(Job.open(job_copy).store) as connection:
        ((who, body),) = connection.execute("SELECT who, body FROM entry WHERE kind = 'fit'")
    assert who == "A. Tester"
    assert json.loads(body)["parameters"]["skip"] == now.skip
    balance = json.loads(run(job_copy, "status", "--json", code=1))["balance"]
    assert balance["paired"] > 1000, "clean panels stay paired"
