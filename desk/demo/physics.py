"""What light would lose on the invented links.

Coefficients and spreads are typical of good work: common practice from memory, no source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

COEFFICIENT_DB_PER_KM = {
    ("OM3", 850): 2.5,
    ("OM3", 1300): 0.6,
    ("OM4", 850): 2.4,
    ("OM4", 1300): 0.6,
    ("OS2", 1310): 0.33,
    ("OS2", 1550): 0.19,
}
MATED_PAIR_DB = (0.06, 0.24)
"""Lowest and highest loss of one clean connection to a reference-grade test cord."""
SPLICE_DB = (0.02, 0.08)
DIRECTION_SPREAD_DB = 0.03
"""Standard deviation of what one direction adds to the other."""
REPEAT_SPREAD_DB = 0.02
"""Standard deviation of one measurement repeated with the same cords."""
SOURCE_DBM = {850: -20.0, 1300: -20.6, 1310: -7.1, 1550: -7.4}
"""Level of the sources through joined test cords."""
DARK_DBM = -70.0
"""Below this the meters show no number."""


def clean_losses(rng: np.random.Generator, links: pd.DataFrame) -> pd.DataFrame:
    """Draw what each link truly loses: columns link_id, wavelength_nm, direction, loss_db.

    Both wavelengths share the connections and splices of the link, so that their difference is
    that of the glass.
    """
    count = len(links)
    pairs = links["connections"].to_numpy(dtype="int64")
    splices = links["splices"].to_numpy(dtype="int64")
    joints = _sums(rng, MATED_PAIR_DB, pairs) + _sums(rng, SPLICE_DB, splices)
    km = links["length_m"].to_numpy(dtype="float64") / 1000
    fibre = links["fibre_type"].to_numpy()
    parts = []
    for wavelength in SOURCE_DBM:
        planned = (
            links["wavelengths"].str.split().map(lambda all_nm, nm=wavelength: str(nm) in all_nm)
        )
        rows = planned.to_numpy(dtype="bool")
        alpha = np.array([COEFFICIENT_DB_PER_KM.get((kind, wavelength), np.nan) for kind in fibre])
        for direction in ("a-b", "b-a"):
            loss = alpha * km + joints + rng.normal(0, DIRECTION_SPREAD_DB, count)
            parts.append(
                pd.DataFrame(
                    {
                        "link_id": links["link_id"].to_numpy()[rows],
                        "wavelength_nm": wavelength,
                        "direction": direction,
                        "loss_db": np.maximum(loss, 0.05)[rows],
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def _sums(rng: np.random.Generator, span: tuple[float, float], counts: np.ndarray) -> np.ndarray:
    """Add up `counts[i]` draws from `span` for each i."""
    width = int(counts.max(initial=0))
    draws = rng.uniform(*span, size=(len(counts), max(width, 1)))
    drawn = np.arange(max(width, 1)) < counts[:, None]
    return np.asarray(np.where(drawn, draws, 0.0).sum(axis=1))
