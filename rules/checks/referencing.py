"""Checks of references: there at all, in force, fresh, steady."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Flags


@check("reference-missing")
def missing(context: Context) -> pd.DataFrame:
    """Find power readings of links to which no reference belongs."""
    working = context.working
    marked = (working["quantity"] == "power").to_numpy() & (working["state"] == "ok").to_numpy()
    marked &= context.single & (context.link >= 0) & (context.kind == "link")
    marked &= np.isnan(working["loss_db"].to_numpy())
    rows = working.loc[marked]
    return suspicions.found(
        "reference-missing",
        subject="link " + context.paired["link_id"][marked],
        link_id=context.paired["link_id"][marked], run_id=rows["run_id"],
        reading_id=rows["reading_id"], wavelength_nm=rows["wavelength_nm"],
        message=[
            f"power {power:.2f} dBm at {nm} nm, and neither dump nor run sheet holds a reference "
            "of this meter, source and wavelength before it"
            for power, nm in zip(rows["power_dbm"], rows["wavelength_nm"], strict=True)
        ],
    )  # fmt: skip


@check("reference-unevidenced")
def unevidenced(context: Context) -> pd.DataFrame:
    """Find stored losses whose reference nobody kept: per run and wavelength, or per reading.

    Under the job's rule `stop` every reading is named, because each is kept from a grade.
    """
    working = context.working
    marked = np.isfinite(context.loss) & (working["quantity"] == "attenuation").to_numpy()
    marked &= ~working["reference_from"].isin(("dump", "run-sheet")).to_numpy()
    if context.settings.references.evidence != "stop":
        sentence = "{n} losses at {nm} nm were stored and no reference was kept for them"
        return _by_run(context, marked, "reference-unevidenced", sentence)
    rows = working.loc[marked]
    return suspicions.found(
        "reference-unevidenced", severity="stop",
        subject="link " + context.paired["link_id"][marked],
        link_id=context.paired["link_id"][marked], run_id=rows["run_id"],
        reading_id=rows["reading_id"], wavelength_nm=rows["wavelength_nm"],
        message="loss was stored and no reference was kept for it",
    )  # fmt: skip


def _by_run(context: Context, marked: Flags, code: str, sentence: str) -> pd.DataFrame:
    """Make one finding per run and wavelength from the marked readings."""
    rows = context.working.loc[marked, ["run_id", "wavelength_nm", "order"]]
    table = rows.groupby(["run_id", "wavelength_nm"], sort=True)["order"].agg(
        ["size", "min", "max"]
    ).reset_index()  # fmt: skip
    return suspicions.found(
        code,
        subject=[f"run {run} at {nm} nm" for run, nm in
                 zip(table["run_id"], table["wavelength_nm"], strict=True)],
        run_id=table["run_id"], wavelength_nm=table["wavelength_nm"],
        first_order=table["min"], last_order=table["max"],
        message=[sentence.format(n=n, nm=nm) for n, nm in
                 zip(table["size"], table["wavelength_nm"], strict=True)],
    )  # fmt: skip
