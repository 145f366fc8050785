"""A sound job of any size, made in columns: for measuring speed, not for detection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from rules import tables
from rules.evaluation import Plan, RunSheets
from tests.rules.clean_job import SETTINGS, Job

STRANDS = 24
VISITS_A_DAY = 6


def make(readings: int, seed: int = 0) -> Job:
    """Return a job of single-mode cables of 24, both ways, two wavelengths, one meter a day."""
    rng = np.random.default_rng(seed)
    cables = max(1, readings // (4 * STRANDS))
    n = cables * STRANDS
    cable = np.repeat(np.arange(cables), STRANDS)
    strand = np.tile(np.arange(1, STRANDS + 1), cables)
    length = np.repeat(rng.uniform(200, 3000, cables).round(), STRANDS)
    ids = [f"K{c:05d}-{s:02d}" for c, s in zip(cable, strand, strict=True)]
    links = tables.conform(
        pd.DataFrame(
            {"link_id": ids, "kind": "link", "cable": [f"K{c:05d}" for c in cable],
             "a_end": [f"K{c:05d}A:{s}" for c, s in zip(cable, strand, strict=True)],
             "b_end": [f"K{c:05d}B:{s}" for c, s in zip(cable, strand, strict=True)],
             "fibre_type": "OS2", "length_m": length, "connections": 2.0,
             "environment": "outside", "position": np.arange(1, n + 1)}
        ),
        tables.LINKS,
    )  # fmt: skip
    plugs = rng.gamma(12.0, 0.4 / 12.0, n)
    # cables are tested in no order, each there and back
    order = rng.permutation(cables)
    strands = np.repeat(np.arange(n).reshape(cables, STRANDS)[order], 2, axis=1)
    link = np.tile(strands, (1, 2)).ravel()
    visit = np.repeat(np.arange(2 * cables), 2 * STRANDS)
    nm = np.tile([1310, 1550], len(link) // 2)
    day, place = np.divmod(visit, VISITS_A_DAY)
    begin = np.datetime64("2015-06-01T07:30:00")
    second = place * 6000 + (np.arange(len(link)) % (2 * STRANDS)) // 2 * 75
    loss = (length[link] / 1000 * np.where(nm == 1310, 0.335, 0.195) + plugs[link]
            + rng.normal(0, 0.05, len(link))).clip(0.02).round(2)  # fmt: skip
    slot = (np.arange(len(link)) - day * VISITS_A_DAY * 2 * STRANDS) // 2 + 1
    stored = pd.DataFrame(
        {"reading_id": [f"r{i:011d}" for i in range(len(link))],
         "dump_sha256": pd.array([f"{d:064x}" for d in range(day[-1] + 1)]).take(day),
         "dump_name": pd.array([f"day {d}.csv" for d in range(day[-1] + 1)]).take(day),
         "arrived_at": "2026-06-30T12:00:00Z", "parser": "large-job",
         "line": np.arange(len(link)) + 2, "column": 1, "record": slot, "slot": slot,
         "label": pd.array(ids).take(link), "wavelength_nm": nm,
         "direction": np.where(visit % 2 == 0, "a-b", "b-a"), "quantity": "attenuation",
         "loss_db": loss, "state": "ok", "clock_state": "ok", "clock_resolution_s": 1,
         "taken_at": begin + day * np.timedelta64(1, "D") + second * np.timedelta64(1, "s"),
         "clock": "printed", "meter_serial": "M-21", "source_serial": "S-21",
         "operator": "Iva Kern", "true_link": pd.array(ids).take(link)}
    )  # fmt: skip
    kept = {**tables.STORED, "true_link": "text"}
    instruments = tuple(
        replace(i, calibrated_on="", due="2099-01-01") for i in SETTINGS.instruments
    )
    settings = replace(SETTINGS, started_on="2012-01-01", instruments=instruments)
    return Job(Plan(links, 1), tables.conform(stored, kept), RunSheets(), settings)
