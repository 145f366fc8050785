"""Findings in words: subjects and scopes of readings, runs, links and cables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from rules import ids, suspicions, tables
from rules.checks.context import Context
from rules.columns import Ints, joined, texts

WAY_NAMES = (", a-b", ", b-a", "")


def of_readings(
    context: Context, code: str, rows: Ints, messages: Sequence[str], **more: Any
) -> pd.DataFrame:
    """Make one finding per row of `working`."""
    if not len(rows):
        return suspicions.none()
    part = context.working.iloc[rows]
    links = context.paired["link_id"].iloc[rows]
    named = [
        f"link {link}" if link else f"reading “{label}”"
        for link, label in zip(links, part["label"], strict=True)
    ]
    return suspicions.found(
        code,
        subject=[
            f"{name} at {nm} nm{WAY_NAMES[way]}"
            for name, nm, way in zip(named, part["wavelength_nm"], context.way[rows], strict=True)
        ],
        link_id=links, run_id=part["run_id"], reading_id=part["reading_id"],
        wavelength_nm=part["wavelength_nm"], message=list(messages),
        cable=cables_of(context, context.link[rows]), **more,
    )  # fmt: skip


def of_runs(
    context: Context, code: str, runs: Ints, messages: Sequence[str], lanes: Ints | None = None,
    **more: Any,
) -> pd.DataFrame:  # fmt: skip
    """Make one finding per row of `runs` (and lane); `first_order`, `last_order` narrow it."""
    if not len(runs):
        return suspicions.none()
    run_ids = context.runs["run_id"].iloc[runs]
    wavelengths = np.zeros(len(runs), "int64") if lanes is None else nm_of(context, runs, lanes)
    wavelengths = np.asarray(more.pop("wavelength_nm", wavelengths))
    return suspicions.found(
        code,
        subject=[f"run {run}" + (f" at {nm} nm" if nm else "")
                 for run, nm in zip(run_ids, wavelengths, strict=True)],
        run_id=run_ids, wavelength_nm=wavelengths, message=list(messages), **more,
    )  # fmt: skip


def nm_of(context: Context, runs: Ints, lanes: Ints) -> Ints:
    """Return the wavelength as stored for lanes of runs (1310 rather than 1300 where it was)."""
    return np.asarray(context.track_nm[runs * len(context.lanes) + lanes])


def of_links(
    context: Context, code: str, links: Ints, messages: Sequence[str], rows: Ints | None = None,
    **more: Any,
) -> pd.DataFrame:  # fmt: skip
    """Make one finding per link; `rows` name one reading of each that stands for it."""
    if not len(links):
        return suspicions.none()
    link_ids = context.plan.links["link_id"].iloc[links]
    if rows is not None:
        part = context.working.iloc[rows]
        more |= {"reading_id": part["reading_id"], "run_id": part["run_id"]}
    return suspicions.found(
        code, subject="link " + link_ids, link_id=link_ids, message=list(messages),
        cable=cables_of(context, links), **more,
    )  # fmt: skip


def of_results(context: Context, code: str, results: pd.DataFrame, messages: Any) -> pd.DataFrame:
    """Make one finding per row of GRADES, about the first of its readings."""
    if results.empty:
        return suspicions.none()
    results = tables.spelled(results)
    nm = results["wavelength_nm"]
    return suspicions.found(
        code,
        subject=joined("link ", results["link_id"].array, " at ", printed(nm, "{}"), " nm, ",
                       results["direction"].array),
        link_id=results["link_id"], wavelength_nm=nm, reading_id=ids.first(results["reading_ids"]),
        message=messages,
    )  # fmt: skip


def printed(values: pd.Series, form: str) -> Any:
    """Write numbers as texts; each different one once."""
    number, distinct = pd.factorize(values)
    return texts([form.format(value) for value in distinct], number).array


def cables_of(context: Context, links: Ints) -> list[str]:
    """Return the cable of each link, empty for −1."""
    return [context.cable_names[context.cable[k]] if k >= 0 else "" for k in links]
