"""Whole panels under their planned labels: what is not weighed is paired as if it had been."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.pairing import bench, crews, engine, grid, rounds, sites, weigh
from rules.pairing.bench import Bench
from rules.settings import Settings
from tests.rules.pairing.test_properties import clean, plan_of, run, working_of

WEIGHED = pairing.Parameters(sweeps=False)


def test_clean_panels_need_no_weighing_and_pair_as_if_weighed() -> None:
    links = plan_of(panels=4)
    working = working_of(clean(links))
    swept, weighed = run(links, working), run(links, working, parameters=WEIGHED)
    same = ["reading_id", "link_id", "wavelength_nm", "status", "how"]
    pd.testing.assert_frame_equal(swept.pairs[same], weighed.pairs[same])
    assert swept.questions.empty


def test_a_panel_that_another_run_may_have_measured_is_weighed() -> None:
    links = plan_of(panels=2)
    again = [("R9", f"TR1-A-{p:02d}") for p in range(1, 13)]
    result = run(links, working_of([*clean(links), *again]))
    by_run = result.pairs.groupby(result.pairs["reading_id"].str[:2])["status"].unique()
    assert list(by_run["R0"]) == ["question"], "a second visit to a link is asked about"
    assert list(by_run["R1"]) == ["paired"]


def test_a_panel_whose_values_speak_against_it_is_weighed() -> None:
    links = plan_of(panels=3)
    working = working_of(clean(links))
    working.loc[working["run_id"] == "R1", ["wavelength_nm"]] = [850, 850] * 12
    result = run(links, working)
    other = result.pairs["reading_id"].str.startswith("R1")
    assert not (result.pairs.loc[other, "status"] == "paired").any(), "850 nm on single-mode fibre"


@pytest.mark.parametrize("seed", range(6))
def test_no_reading_moves_because_panels_are_not_weighed(seed: int) -> None:
    links = plan_of(panels=12, ports=12)
    layout = grid.of_sites(sites.of_plan(links), links, pairs=False)
    table, _ = crews.work(layout, links, np.random.default_rng(seed), 0.9)
    found = [
        engine.pair(
            Plan(links), table, tables.empty(tables.RUNS), Decisions(), parameters, Settings()
        ).pairs.set_index("reading_id")
        for parameters in (pairing.Parameters(), WEIGHED)
    ]
    both = (found[0]["status"] == "paired") & (found[1]["status"] == "paired")
    assert both.any()
    assert (found[0].loc[both, "link_id"] == found[1].loc[both, "link_id"]).all()


def test_what_was_told_while_sweeps_were_given_up_is_what_would_be_told_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    links = plan_of(panels=24, ports=12)
    layout = grid.of_sites(sites.of_plan(links), links, pairs=False)
    table, _ = crews.work(layout, links, np.random.default_rng(4), 0.5)
    told: list[int] = []
    lay_out, look = bench.lay_out, rounds.lay_out

    def counted(*given: object) -> object:
        told.append(len(given[3]))  # type: ignore[arg-type]
        return look(*given)  # type: ignore[arg-type]

    def forgetful(*given: object) -> Bench | None:
        on = lay_out(*given)  # type: ignore[arg-type]
        return None if on is None else replace(on, made={}, looks={})

    monkeypatch.setattr(rounds, "lay_out", counted)
    kept = run(links, table)
    followed = sum(told)
    monkeypatch.setattr(weigh.bench, "lay_out", forgetful)
    anew = run(links, table)
    assert followed < sum(told) - followed, "some runs were told nothing twice"
    for name in ("pairs", "questions", "findings"):
        pd.testing.assert_frame_equal(getattr(kept, name), getattr(anew, name), check_exact=True)
