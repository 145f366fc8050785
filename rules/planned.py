"""From the plan's links to planned tests: link x kind x wavelength x direction."""

from __future__ import annotations

import pandas as pd

from rules import fibres, tables
from rules.settings import Settings

UNMEASURED_KINDS = ("continuity", "polarity")
"""Kinds that a person confirms by light at the right port: no wavelength, no direction."""


def expand(links: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """List every planned test of `links` (LINKS) as PLANNED, in plan order.

    An empty `wavelengths` means the usual pair of the fibre's mode, an empty `directions` the
    job's. Kinds without a measured value get wavelength 0 and no direction.
    """
    if links.empty:
        return tables.empty(tables.PLANNED)
    table = links[["link_id", "kind", "position", "fibre_type"]].copy()
    multimode = fibres.is_multimode(table["fibre_type"])
    usual = multimode.map(
        {
            True: " ".join(map(str, fibres.USUAL_WAVELENGTHS["multimode"])),
            False: " ".join(map(str, fibres.USUAL_WAVELENGTHS["single-mode"])),
        }
    )
    asked = links["wavelengths"].where(links["wavelengths"] != "", usual)
    directions = links["directions"].where(links["directions"] != "", settings.directions)
    unmeasured = table["kind"].isin(UNMEASURED_KINDS)
    table["wavelength_nm"] = asked.mask(unmeasured, "0").str.split()
    table["direction"] = directions.mask(unmeasured, "").replace("both", "a-b b-a").str.split(" ")
    table = table.explode("wavelength_nm").explode("direction")
    wavelength = table["wavelength_nm"].astype("int64")
    table["wavelength_nm"] = fibres.nominal(wavelength, fibres.is_multimode(table["fibre_type"]))
    table = table.drop_duplicates(["link_id", "kind", "wavelength_nm", "direction"])
    return tables.conform(table, tables.PLANNED)
