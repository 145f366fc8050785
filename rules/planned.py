"""From the plan's links to planned tests: link x kind x wavelength x direction."""

from __future__ import annotations

import pandas as pd

from rules import columns, fibres, tables
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
    multimode = fibres.is_multimode(links["fibre_type"])
    usual = multimode.map(
        {
            True: " ".join(map(str, fibres.USUAL_WAVELENGTHS["multimode"])),
            False: " ".join(map(str, fibres.USUAL_WAVELENGTHS["single-mode"])),
        }
    )
    unmeasured = links["kind"].isin(UNMEASURED_KINDS)
    asked = links["wavelengths"].where(links["wavelengths"] != "", usual).mask(unmeasured, "0")
    ways = links["directions"].where(links["directions"] != "", settings.directions)
    ways = ways.mask(unmeasured, "").replace("both", "a-b b-a")

    number, texts = columns.codes(asked)
    link, nm = columns.unfold(number, [[int(part) for part in text.split()] for text in texts])
    nm = fibres.nominal(pd.Series(nm), multimode.take(link).reset_index(drop=True)).to_numpy()
    number, texts = columns.codes(ways)
    split = [text.split(" ") for text in texts]
    named = list(dict.fromkeys(way for part in split for way in part))
    row, way = columns.unfold(number[link], [[named.index(way) for way in part] for part in split])
    link, nm = link[row], nm[row]
    same = (columns.numbers(links[name])[link] for name in ("link_id", "kind"))
    test = columns.compound(*same, columns.ranked(nm), way)
    # links mostly come one after the other, each once
    ordered = bool((test[1:] > test[:-1]).all())
    if not ordered and len(columns.distinct(test)) < len(test):
        first = ~pd.Series(test).duplicated().to_numpy()
        link, nm, way = link[first], nm[first], way[first]
    names = columns.named(links["link_id"], link)
    table = links[["kind", "position"]].take(link).reset_index(drop=True)
    return tables.conform(
        table.assign(link_id=names, wavelength_nm=nm, direction=columns.few(named, way)),
        tables.PLANNED,
    )
