"""Checks of other tests with a power meter: equipment power against the link, splitters."""

from __future__ import annotations

import pandas as pd

from rules import suspicions, tables
from rules.checks.context import Context
from rules.checks.registry import check

NO_VERDICT = ("superseded", "blocked", "no-reference")


def _results(context: Context, kinds: tuple[str, ...]) -> pd.DataFrame:
    """Return the current results of some kinds beside what the plan says of them."""
    grades = context.grades
    current = grades.loc[grades["kind"].isin(kinds) & ~grades["grade"].isin(NO_VERDICT)]
    about = context.plan.links[["link_id", "cable", "strand", "class"]]
    return tables.spelled(current).merge(about, on="link_id")


@check("power-loss-disagree", after=True)
def budget_of_power(context: Context) -> pd.DataFrame:
    """Find fibres where transmitted less received power is not the measured loss.

    A fibre is a cable and strand; its transmitter and receiver are `power` rows of the plan whose
    class ends in tx and rx.
    """
    if not (context.grades["kind"] == "power").any():
        return suspicions.none()
    rows = _results(context, ("link", "power"))
    rows = rows.loc[(rows["cable"] != "") & (rows["strand"] != "")]
    side = rows["class"].str.lower().str.extract(r"\b([tr])(?:x|ransmit|eceive)$", expand=False)
    key = ["cable", "strand", "wavelength_nm"]
    power = rows.assign(side=side).loc[rows["kind"] == "power"].dropna(subset="side")
    wide = power.groupby([*key, "side"])["power_dbm"].mean().unstack("side")
    if not {"t", "r"} <= set(wide.columns):
        return suspicions.none()
    link = rows.loc[rows["kind"] == "link"].sort_values("loss_db")
    worst = link.groupby(key).agg(link_id=("link_id", "last"), loss_db=("loss_db", "last"))
    both = wide.join(worst, how="inner").dropna().reset_index()
    apart = both["t"] - both["r"] - both["loss_db"]
    odd = both.loc[apart.abs().round(4) > context.threshold("power_loss_db")]
    if odd.empty:
        return suspicions.none()
    return suspicions.found(
        "power-loss-disagree",
        subject=[f"link {link}" for link in odd["link_id"]],
        link_id=odd["link_id"],
        wavelength_nm=odd["wavelength_nm"],
        message=[
            f"{t:.2f} dBm sent, {r:.2f} dBm received: {t - r:.2f} dB; the link lost {loss:.2f} dB"
            for t, r, loss in zip(odd["t"], odd["r"], odd["loss_db"], strict=True)
        ],
    )


@check("splitter-uneven", after=True)
def evenness(context: Context) -> pd.DataFrame:
    """Find splitters whose outputs differ; the plan's `cable` names the splitter."""
    if not (context.grades["kind"] == "splitter").any():
        return suspicions.none()
    rows = _results(context, ("splitter",))
    rows = rows.loc[rows["cable"] != ""].sort_values(["loss_db", "link_id"])
    outputs = rows.groupby(["cable", "wavelength_nm", "direction"], sort=True)
    table = outputs.agg(
        least=("loss_db", "min"), most=("loss_db", "max"), worst=("link_id", "last"),
        outputs=("link_id", "nunique"),
    ).reset_index()  # fmt: skip
    spread = (table["most"] - table["least"]).round(4)
    odd = table.loc[(table["outputs"] > 1) & (spread > context.threshold("splitter_spread_db"))]
    if odd.empty:
        return suspicions.none()
    return suspicions.found(
        "splitter-uneven",
        subject=[f"splitter {name} at {nm} nm" for name, nm in
                 zip(odd["cable"], odd["wavelength_nm"], strict=True)],
        link_id=odd["worst"],
        wavelength_nm=odd["wavelength_nm"],
        message=[
            f"outputs from {low:.2f} to {high:.2f} dB, the most at {worst}"
            for low, high, worst in zip(odd["least"], odd["most"], odd["worst"], strict=True)
        ],
    )  # fmt: skip
