"""Ends of links: `panel:port` taken apart, and the order in which a person walks along ports."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc


def panel(end: pd.Series) -> pd.Series:
    """Return the panel of each `panel:port`; the whole text where it has no port."""
    texts = pa.array(end.array, pa.large_string())
    parts = pc.split_pattern(texts, ":", max_splits=1, reverse=True)
    return pd.Series(pd.array(pc.list_element(parts, 0), dtype="str"), index=end.index)


def port(end: pd.Series) -> pd.Series:
    """Return the port of each `panel:port`, empty where none is given."""
    return end.str.replace(r"^[^:]*$|^(?s:.*):", "", regex=True)


def cable(links: pd.DataFrame) -> pd.Series:
    """Return the cable of each of LINKS, its two panels where none is named."""
    name, bare = links["cable"], links["cable"] == ""
    if not bare.any():
        return name
    near, far = (panel(links[end].loc[bare]) for end in ("a_end", "b_end"))
    return name.mask(bare, near + " / " + far)


def walk_key(text: pd.Series) -> pd.Series:
    """Return a text that sorts as a person counts: every number padded, case folded."""
    codes, uniques = pd.factorize(text)
    padded = pd.Series(uniques, dtype="str").str.casefold()
    padded = padded.str.replace(r"\d+", lambda m: m.group().lstrip("0").zfill(9), regex=True)
    return pd.Series(padded.to_numpy()[codes], index=text.index, dtype="str")
