"""What journalled acts do to results: a repair voids the older readings of its link."""

from __future__ import annotations

import pandas as pd


def seconds(iso: pd.Series) -> pd.Series:
    """Turn ISO times (UTC where no offset is given) into seconds since 1970; NaN if unreadable."""
    read = pd.to_datetime(iso, utc=True, errors="coerce", format="ISO8601")
    passed = (read - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    return passed.astype("float64")


def repairs(acts: pd.DataFrame) -> pd.DataFrame:
    """Return per repaired link the newest repair: link_id, repaired_s (s since 1970 UTC).

    `subject` is the link; `argument` the ISO time of the repair where it was written down later,
    else the act's own time counts.
    """
    rows = acts.loc[acts["kind"] == "repair"]
    done = seconds(rows["argument"]).fillna(seconds(rows["at"]))
    table = pd.DataFrame({"link_id": rows["subject"], "repaired_s": done})
    newest = table.sort_values(["link_id", "repaired_s"]).drop_duplicates("link_id", keep="last")
    return newest.reset_index(drop=True)
