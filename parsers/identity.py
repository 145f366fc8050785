"""Names of readings that hold for ever: from the dump's hash and the place in its bytes."""

from __future__ import annotations

import pandas as pd

_DIRECTIONS = {"a-b": "ab", "b-a": "ba"}


def reading_ids(sha256: str, readings: pd.DataFrame) -> pd.Series:
    """Return a unique `reading_id` per row of `readings` (table EXTRACTED), in its order.

    `{hash}-{line}-{wavelength}{direction}{quantity}{fibre}`, such as `0f3a…-14-1310abp0`, and `.2`,
    `.3`, … for later rows that are equal in all of it. Nothing in it depends on a parser's version.
    """
    kinds = readings.groupby(
        ["wavelength_nm", "direction", "quantity", "fibre_position"], sort=False, dropna=False
    )
    kind = kinds.ngroup().to_numpy()
    tails = [
        f"-{wavelength}{_DIRECTIONS.get(direction, '')}{quantity[:1]}{fibre}"
        for wavelength, direction, quantity, fibre in kinds.size().index
    ]
    head = sha256[:16]
    lines = readings["line"].to_numpy()
    ids = [
        f"{head}-{line}{tails[k]}" for line, k in zip(lines.tolist(), kind.tolist(), strict=True)
    ]
    place = pd.DataFrame({"line": lines, "kind": kind})
    if place.duplicated().any():
        nth = place.groupby(["line", "kind"], sort=False).cumcount().to_numpy()
        ids = [f"{name}.{n + 1}" if n else name for name, n in zip(ids, nth.tolist(), strict=True)]
    return pd.Series(ids, index=readings.index, dtype="str")
