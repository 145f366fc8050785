"""Fitting the parameters to a job: rates follow its records, the same tables give the same."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from ingest.kept import parameters_from
from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.pairing import fit, gate
from rules.settings import Settings
from tests.rules.pairing.test_properties import clean, plan_of, run, working_of


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Simulate fewer crews than a real fit does: these tests are not about the figures."""
    monkeypatch.setattr(fit, "LEAST_RECORDS", 100)
    monkeypatch.setattr(fit, "CARES", (0.4,))


def fitted(links: pd.DataFrame, working: pd.DataFrame) -> pairing.Parameters:
    return fit.fit(Plan(links), working, Decisions(), pairing.Parameters(), Settings())


def skipping(panels: int) -> list[tuple[str, str]]:
    """Every crew passes over two ports of each panel and says so by its labels."""
    return [
        (f"R{panel}", f"TR{panel}-A-{port:02d}")
        for panel in range(1, panels + 1) for port in range(1, 13) if port not in (4, 9)
    ]  # fmt: skip


def test_rates_move_from_the_shipped_ones_towards_the_jobs_own() -> None:
    links = plan_of(panels=12)
    shipped = pairing.Parameters()
    many = fitted(links, working_of(skipping(12)))
    none = fitted(links, working_of(clean(links)))
    assert none.skip < shipped.skip < many.skip < 2 / 12
    again = [entry for entry in clean(links) for _ in (0, 1)]
    assert fitted(links, working_of(again)).retest > shipped.retest > none.retest


def test_the_same_tables_in_any_order_give_the_same_values() -> None:
    links, working = plan_of(panels=3), working_of(skipping(3))
    mixed = working.iloc[np.random.default_rng(1).permutation(len(working))].reset_index(drop=True)
    assert fitted(links, working) == fitted(links, mixed)


def test_without_readings_the_rates_stay_as_shipped() -> None:
    links = plan_of(panels=3)
    empty = working_of(clean(links)).iloc[:0]
    shipped, found = pairing.Parameters(), fitted(links, empty)
    for name in ("skip", "retest", "slip", "slip_after_skip"):
        assert getattr(found, name) == getattr(shipped, name)


def test_a_job_without_a_plan_fits_nothing() -> None:
    assert fitted(tables.empty(tables.LINKS), working_of(MESSY_LABEL)) == pairing.Parameters()


MESSY_LABEL = [("R1", "PATCH")]


def test_confidence_rises_with_the_odds_in_every_kind_of_case() -> None:
    found = fitted(plan_of(panels=3), working_of(skipping(3)))
    assert [name for name, _ in found.calibration] == list(gate.STRATA)
    for _, knots in found.calibration:
        at, share = np.array(knots).T
        assert (np.diff(at) > 0).all()
        assert (np.diff(share) > 0).all()
        assert ((share > 0) & (share < 1)).all()


def test_journalled_values_come_back_as_they_were_and_pair() -> None:
    links, working = plan_of(panels=3), working_of(clean(plan_of(panels=3)))
    found = fitted(links, working)
    back = parameters_from(fit.as_json(found))
    assert fit.as_json(back) == fit.as_json(found)
    assert set(run(links, working, parameters=back).pairs["status"]) == {"paired"}
