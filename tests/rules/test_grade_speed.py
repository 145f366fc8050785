"""Grading a large job: time against sorting and grouping the same readings, and how it grows."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest

from rules import grades, limits, planned, tables
from rules.evaluation import Decisions
from tests.rules.graded import SETTINGS


def job(links: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Four readings a link and five per cent retests: links, working, pairs, runs."""
    draw = np.random.default_rng(5)
    names = pd.Series([f"B1.F{n // 4000:03d}.P{n // 48:05d}.{n:06d}" for n in range(links)])
    plan = tables.conform(
        pd.DataFrame(
            {"link_id": names, "kind": "link", "fibre_type": "OS2", "environment": "outside",
             "length_m": draw.integers(10, 3000, links), "connections": 4.0, "splices": 2.0,
             "directions": "both", "wavelengths": "1310 1550"}
        ),
        tables.LINKS,
    )  # fmt: skip
    count = links * 4
    test = np.append(np.arange(count), draw.choice(count, count // 20))
    rows = len(test)
    working = pd.DataFrame(
        {
            "reading_id": [f"{n:016x}" for n in draw.permutation(rows)],
            "link_id": names.to_numpy()[test // 4],
            "wavelength_nm": np.array([1310, 1550])[test % 2],
            "direction": np.array(["a-b", "b-a"])[test // 2 % 2],
            "loss_db": np.round(draw.normal(1.5, 0.5, rows), 2),
            "run_id": [f"R{n // 500:05d}" for n in range(rows)],
            "utc_s": 1.7e9 + 10.0 * np.arange(rows), "order": np.arange(rows) + 1,
            "kind": "link", "quantity": "attenuation", "state": "ok", "meter_serial": "MA",
            "order_basis": "clock", "record": np.arange(rows), "dump_sha256": "d",
            "arrived_at": "2026-03-02T18:00:00Z", "fibre_position": 0, "power_dbm": np.nan,
            "clock_resolution_s": 1,
        }
    )  # fmt: skip
    texts = {c: "str" for c in working if working[c].dtype == object}
    working = working.astype(texts)
    runs = pd.DataFrame({"run_id": working["run_id"].unique()})
    runs = tables.conform(runs.assign(reference_method=1, cord_grade="reference"), tables.RUNS)
    return plan, working, tables.conform(working.assign(status="paired"), tables.PAIRS), runs


def measure(links: int) -> tuple[float, float]:
    """Return processor seconds of grading, and of sorting and grouping the same readings."""
    plan, working, pairs, runs = job(links)
    begin = time.process_time()
    ordered = working.sort_values(["link_id", "utc_s"])
    ordered.groupby("link_id", sort=False)["loss_db"].agg(["size", "last"])
    floor = time.process_time() - begin
    tests = planned.expand(plan, SETTINGS)
    need = limits.needs(tests, pairs, working, runs, SETTINGS)
    rows = limits.for_links(plan, need, limits.load(), SETTINGS)
    begin = time.process_time()
    result = grades.grade(tests, working, pairs, rows, [], Decisions(), runs, SETTINGS)
    spent = time.process_time() - begin
    assert len(result.grades) == len(working)
    return spent, floor


@pytest.mark.long
def test_grading_grows_with_the_job_and_stays_near_one_sort() -> None:
    small, _ = measure(25_000)
    large, floor = measure(100_000)
    assert large < 6 * small
    assert large < 9 * floor
