"""What journalled acts do to results: repairs void older readings, waivers close tests."""

from __future__ import annotations

import json

import pandas as pd

REACHES = ("", "tray", "duct")
"""How far a repair reaches: the fibre alone, its cable and tube, or its route."""


def seconds(iso: pd.Series) -> pd.Series:
    """Turn ISO times (UTC where no offset is given) into seconds since 1970; NaN if unreadable."""
    read = pd.to_datetime(iso, utc=True, errors="coerce", format="ISO8601")
    passed = (read - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    return passed.astype("float64")


def repairs(acts: pd.DataFrame) -> pd.DataFrame:
    """Return per repaired link the newest repair: link_id, repaired_s, who, why.

    `subject` is a link, or a JSON list of links; `argument` the ISO time of the repair where it was
    written down later, else the act's own time counts.
    """
    rows = acts.loc[acts["kind"] == "repair"]
    done = seconds(rows["argument"]).fillna(seconds(rows["at"]))
    table = pd.DataFrame(
        {
            "link_id": [_links(subject) for subject in rows["subject"]],
            "repaired_s": done.to_numpy(),
            "who": rows["who"].to_numpy(),
            "why": rows["why"].to_numpy(),
        }
    ).explode("link_id")
    return table.sort_values(["link_id", "repaired_s"], kind="stable").drop_duplicates(
        "link_id", keep="last", ignore_index=True
    )


def _links(subject: str) -> list[str]:
    if subject.startswith("["):
        try:
            return [str(link) for link in json.loads(subject)]
        except json.JSONDecodeError:
            pass
    return [subject]


def neighbours(links: pd.DataFrame, link_ids: list[str], reach: str) -> list[str]:
    """Return the links a repair touches, in plan order: `tray` by cable and tube, `duct` by route.

    The repaired links themselves are among them; a link without cable or route has no neighbours.
    """
    own = links["link_id"].isin(link_ids)
    touched = own.copy()
    for keys in {"tray": (["cable", "tube"],), "duct": (["route"],)}.get(reach, ()):
        known = links[keys[0]] != ""
        mine = pd.MultiIndex.from_frame(links.loc[own & known, keys])
        touched |= known & pd.Series(
            pd.MultiIndex.from_frame(links[keys]).isin(mine), index=links.index
        )
    return list(links.loc[touched, "link_id"])


def waivers(acts: pd.DataFrame, planned: pd.DataFrame) -> pd.DataFrame:
    """Return the planned tests waived in writing: the columns of PLANNED with who, at, why.

    `subject` is a link; `scope` narrows the waiver to words among its wavelength (`1310`),
    direction (`a-b`) or kind (`link`), empty: every test of the link. The newest waiver is shown.
    """
    rows = acts.loc[acts["kind"] == "waiver", ["subject", "scope", "who", "at", "why"]]
    wide = planned.merge(rows, left_on="link_id", right_on="subject")
    fits = [
        all(word in (str(nm), way, kind) for word in scope.replace(",", " ").split())
        for scope, nm, way, kind in zip(
            wide["scope"], wide["wavelength_nm"], wide["direction"], wide["kind"], strict=True
        )
    ]
    wide = wide.loc[pd.Series(fits, index=wide.index, dtype="bool")]
    wide = wide.drop_duplicates(list(planned.columns), keep="last")
    return wide.drop(columns=["subject", "scope"]).reset_index(drop=True)
