"""Which network applications a tested link supports, and why not the others.

An application's loss is that of a channel: the link with its cords. So the measured loss is put
back together: the ends that the reference method left out of the measurement count as ordinary
connections, and the fibre of the cords is added. The connections at the equipment itself belong
to the interface and are not counted (IEEE 802.3, from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from rules import budget, kinds, tables
from rules.fibres import MULTIMODE
from rules.limit_sums import ENDS_INSIDE

CONNECTION_DB = 0.75
"""An end that was not measured: most of a mated pair, ANSI/TIA-568 series and ISO/IEC 11801."""
CORDS_M = 10.0
"""Fibre of both cords together: what a 100 m channel has beyond its 90 m link, ISO/IEC 11801-1."""
CORD_DB_PER_KM = {850: 3.5, 1300: 1.5, 1310: 1.0, 1550: 1.0, 1490: 1.0}
"""Most of cabled fibre by window: ISO/IEC 11801, the least of its editions."""

RESULTS: tables.Columns = {
    "link_id": "text", "fibre_type": "text", "length_m": "float", "connections": "float",
    "wavelength_nm": "int", "loss_db": "float", "reference_method": "int",
}  # fmt: skip
"""The worst current loss of a link at a wavelength."""

SUPPORT: tables.Columns = {
    "link_id": "text", "application": "text", "standard": "text", "clause": "text",
    "wavelength_nm": "int", "supported": "flag", "why": "text", "channel_m": "float",
    "max_m": "float", "channel_db": "float", "max_loss_db": "float", "headroom_db": "float",
    "reach_m": "float", "power_budget_db": "float", "confidence": "text",
}  # fmt: skip
"""`reach_m` is how long the channel could be with these connections, if the rest were cable of the
most attenuation allowed; `power_budget_db` what the interface leaves between its weakest
transmitter and its least sensitive receiver, NaN where either is not known."""


def results(links: pd.DataFrame, grades: pd.DataFrame) -> pd.DataFrame:
    """Return the worst current loss (RESULTS) of each link of kind `link`, by wavelength."""
    counted = ~grades["grade"].isin(("superseded", "blocked", "no-reference"))
    current = grades.loc[
        counted & (grades["kind"] == "link") & grades["loss_db"].notna(),
        ["link_id", "wavelength_nm", "loss_db", "reference_method"],
    ].sort_values(["link_id", "wavelength_nm", "loss_db", "reference_method"])
    worst = current.drop_duplicates(["link_id", "wavelength_nm"], keep="last")
    about = links[["link_id", "fibre_type", "length_m", "connections"]]
    return tables.conform(worst.merge(about, on="link_id"), RESULTS)


def supported(results: pd.DataFrame, cords_m: float = CORDS_M) -> pd.DataFrame:
    """Hold every link (RESULTS) against every application that is specified for its fibre.

    Returns SUPPORT by link and application: supported, or `why` not (length, loss, not measured
    there). `cords_m` is the fibre of both cords together. Where an application has an engineered
    channel beside the ordinary one, the ordinary one is shown if it holds.
    """
    channels = _channels()
    about = results.drop_duplicates("link_id")[["link_id", "fibre_type", "length_m", "connections"]]
    wide = about.merge(channels, on="fibre_type")
    window = np.where(results["wavelength_nm"] == 1300, 1310, results["wavelength_nm"])
    measured = results.assign(window=window)[["link_id", "window", "loss_db", "reference_method"]]
    wide = wide.merge(
        measured.drop_duplicates(["link_id", "window"]), on=["link_id", "window"], how="left"
    )
    method = wide["reference_method"].fillna(0).to_numpy("int64")
    inside = np.select([method == m for m in ENDS_INSIDE], list(ENDS_INSIDE.values()), np.nan)
    ends = np.minimum(wide["connections"].fillna(2.0).to_numpy(), 2.0)
    cords = cords_m * wide["cord_db_per_km"] / 1000
    wide["channel_db"] = wide["loss_db"] + np.maximum(ends - inside, 0) * CONNECTION_DB + cords
    wide["channel_m"] = wide["length_m"] + cords_m
    wide["headroom_db"] = wide["max_loss_db"] - wide["channel_db"]
    fixed = (wide["channel_db"] - wide["channel_m"] / 1000 * wide["cord_db_per_km"]).clip(lower=0)
    reach = budget.longest_km(
        wide["max_loss_db"].to_numpy(), fixed.to_numpy(), wide["cord_db_per_km"].to_numpy()
    )
    wide["reach_m"] = np.minimum(1000 * reach, wide["max_m"])
    wide["why"] = _why(wide, method)
    wide["supported"] = wide["why"] == ""
    wide = wide.sort_values(
        ["link_id", "application", "standard", "wavelength_nm", "supported", "engineered"],
        ascending=[True, True, True, True, False, True], kind="stable",
    )  # fmt: skip
    best = wide.drop_duplicates(["link_id", "application", "standard", "wavelength_nm"])
    noted = best["why"].mask(best["supported"] & best["engineered"], "as an engineered link")
    out = tables.conform(best.assign(why=noted), SUPPORT)
    return out.round({"channel_m": 3, "channel_db": 3, "headroom_db": 3, "reach_m": 0})


def _why(wide: pd.DataFrame, method: np.ndarray[Any, np.dtype[np.int64]]) -> pd.Series:
    """Say in words why a channel does not do; empty where it does."""
    lengths = wide["channel_m"].round(0), wide["max_m"]
    losses = wide["channel_db"], wide["max_loss_db"]
    too_long = "length: " + _number(lengths[0], 0) + " m with cords, at most " + _number(
        lengths[1], 0) + " m"  # fmt: skip
    too_lossy = "loss: " + _number(losses[0], 2) + " dB with cords, at most " + _number(
        losses[1], 2) + " dB"  # fmt: skip
    why = pd.Series("", index=wide.index, dtype="str")
    # the first reason that is written last is the one that stays
    why = why.mask((losses[0] * 1000).round() > (losses[1] * 1000).round(), too_lossy)
    why = why.mask(lengths[0] > lengths[1], too_long)
    why = why.mask(method == 0, "the reference method is unknown")
    why = why.mask(wide["length_m"].isna(), "the length is unknown")
    nm = wide["wavelength_nm"].astype("str")
    return why.mask(wide["loss_db"].isna(), "not measured at " + nm + " nm")


def _number(values: pd.Series, digits: int) -> pd.Series:
    text = [f"{value:.{digits}f}" for value in values]
    return pd.Series(text, index=values.index, dtype="str")


def _channels() -> pd.DataFrame:
    """Return the shipped channels, one row per application and fibre type."""
    rows = []
    for one in kinds.shipped_tables()["application"]:
        left = (
            budget.power_budget_db(one["tx"]["min_dbm"], one["rx"]["min_dbm"])
            if "tx" in one and "rx" in one else np.nan
        )  # fmt: skip
        for channel in one["channels"]:
            for fibre in channel["fibres"]:
                # around 1300 nm a multimode source is called 1300, a single-mode one 1310
                second = one["test_nm"] in (1300, 1310)
                nm = (1300 if fibre in MULTIMODE else 1310) if second else one["test_nm"]
                rows.append(
                    {
                        "application": one["name"], "standard": one["standard"],
                        "clause": one["clause"], "fibre_type": fibre, "wavelength_nm": nm,
                        "window": 1310 if second else nm, "max_m": float(channel["max_m"]),
                        "max_loss_db": float(channel["max_loss_db"]),
                        "confidence": channel["confidence"],
                        "power_budget_db": left, "engineered": channel.get("engineered", False),
                        "cord_db_per_km": CORD_DB_PER_KM[nm],
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)
