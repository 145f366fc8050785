"""Make the invented job: plan, run sheets, dumps, settings, and the truth about all of it."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter

from desk.demo import dumps, measured, planted
from desk.demo import plan as plans
from desk.demo.papers import run_sheets, settings


@dataclass(frozen=True)
class Made:
    """Where everything was written, and what is true about it."""

    plan: Path
    plan_workbook: Path
    run_sheets: Path
    dumps: tuple[Path, ...]
    """In the order of arrival."""
    truth_file: Path
    settings: dict[str, Any]
    """A fragment of job.toml as a plain dict."""
    truth: pd.DataFrame
    """One row per reading: dump_name, line, slot, label, wavelength_nm, link_id (empty outside the
    plan), direction, loss_db, state, kind (`link`, `outside-plan`, `reference`)."""
    faults: tuple[planted.Fault, ...]


def make(folder: Path, seed: int = 1) -> Made:
    """Write the invented job's papers and dumps into `folder`; the same seed, the same bytes.

    Raises OSError where the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    links = plans.links()
    tests, faults = planted.plant(measured.tests(np.random.default_rng(seed), links))
    plan, workbook, sheets = (folder / name for name in ("plan.csv", "plan.xlsx", "run-sheets.csv"))
    links.to_csv(plan, index=False, lineterminator="\n")
    _write_workbook(links, workbook)
    run_sheets(tests).to_csv(sheets, index=False, lineterminator="\n")
    paths, truth = dumps.write(folder / "dumps", tests)
    truth_file = folder / "truth.json"
    content = {
        "seed": seed,
        "faults": [asdict(fault) for fault in faults],
        "readings": truth.astype(object).where(truth.notna(), None).to_dict(orient="records"),
    }
    truth_file.write_text(json.dumps(content, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    return Made(plan, workbook, sheets, paths, truth_file, settings(), truth, tuple(faults))


def _write_workbook(links: pd.DataFrame, path: Path) -> None:
    """Write the plan as the design office would hand it over, numbers as numbers."""
    with xlsxwriter.Workbook(str(path)) as book:
        # a fixed date keeps the bytes equal from run to run
        book.set_properties({"created": pd.Timestamp("2026-10-26").to_pydatetime()})
        sheet = book.add_worksheet("cable schedule")
        sheet.write_row(0, 0, list(links.columns))
        for number, row in enumerate(links.itertuples(index=False), start=1):
            sheet.write_row(number, 0, list(row))
        sheet.freeze_panes(1, 1)
