"""Which readings are no tests but the log that a light source keeps of its own level."""

from __future__ import annotations

import pandas as pd

from rules.columns import Flags


def rows(working: pd.DataFrame) -> Flags:
    """Tell which readings are a source's own log: power of a source without meter and label.

    A log proves how steady the light was; it is paired with no link.
    """
    return (
        (working["quantity"] == "power") & (working["meter_serial"] == "")
        & (working["source_serial"] != "") & (working["label"] == "")
    ).to_numpy()  # fmt: skip
