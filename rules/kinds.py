"""The other tests made with a power meter, each with its own form of limit.

| kind | measured | limit |
|---|---|---|
| `cord` | loss of a cord's end against a reference cord | one link end at the cord's grade |
| `cord-check` | loss of test cord to test cord | one mating of test cords |
| `splitter` | loss from input to an output | splitter of its size, plus its connections and fibre |
| `access` | loss of the whole path, or power at the outlet | least and most of its class; window |
| `power` | absolute power of equipment | window of the plan, or of the interface |
| `continuity` | light at the right port | none: light or no light |
| `polarity` | the port at which a pair's light arrives | none: the planned position |

`cord` and `cord-check` take their values from the job's limit sets; the single-ended measurement
of a cord is TIA-455-171 (from memory), its length loss is ignored (common practice, no source).
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from rules import columns, shipped, tables, units

SUMMED = ("link", "cord", "cord-check", "splitter")
"""Kinds whose limit is a sum of coefficients and allowances."""
LOSS = (*SUMMED, "access")
"""Kinds graded by loss (`access` also by power)."""
POWER = ("power", "access")
"""Kinds graded by an absolute power."""
BOUNDS_DBM = ("min_dbm", "max_dbm")
LIGHT = ("continuity", "polarity")
"""Kinds without a limit in dB."""


@cache
def shipped_tables() -> dict[str, Any]:
    """Return applications, access classes and splitters as read from the shipped file."""
    return tomllib.loads(shipped.text("applications.toml"))


def splitter(text: str) -> tuple[float, str] | str:
    """Return the most loss in dB of a splitter named like `1:8` or `2x32`, and where it is from.

    Returns the reason as text where the size is not known. Values: shipped planning values.
    """
    size = re.fullmatch(r"\s*[12]\s*[:x×]\s*(\d+)\s*", text.lower())
    if size is None:
        return (
            f"the plan names no splitter size like 1:8 ({text!r})"
            if text
            else ("the plan names no splitter size")
        )
    for row in shipped_tables()["splitter"]:
        if row["outputs"] == int(size[1]):
            return float(row["max_db"]), f"1:{size[1]} splitter, {row['source']}"
    return f"no value is known for a 1:{size[1]} splitter"


@cache
def access_class(text: str) -> dict[str, Any] | str:
    """Return the class of an access network named like `B+`, `G-PON B+` or `XGS-PON N1`.

    Returns the reason as text where the name fits none, or several that differ.
    """
    wanted = re.sub(r"[\s_]+", " ", text.strip().lower())
    if not wanted:
        return "the plan names no class of access network"
    rows = [
        row
        for row in shipped_tables()["access_class"]
        if wanted in (row["class"].lower(), f"{row['system']} {row['class']}".lower(),
                      row["system"].lower())
    ]  # fmt: skip
    if not rows:
        return f"no access network has the class {text!r}"
    if len({(row["min_loss_db"], row["max_loss_db"]) for row in rows}) > 1:
        systems = ", ".join(f"{row['system']} {row['class']}" for row in rows)
        return f"{text!r} may be any of {systems}: name the system too"
    return dict(rows[0])


@cache
def interface(text: str) -> dict[str, Any] | str:
    """Return the power window of an interface named like `10GBASE-LR rx` or `... tx`.

    The window is per lane. Where several wavelengths share the fibre, a meter without a filter
    reads their sum: `... rx total` is the window of the sum, 10 log10(lanes) higher. A sum within
    it does not prove each lane; a sum below it disproves one. Reasons come back as text.
    """
    found = re.fullmatch(
        r"(.+?)\s+([tr])(?:x|ransmit|eceive)(\s+total)?", text.strip(), re.IGNORECASE
    )
    if found is None:
        return "the plan gives neither min_dbm and max_dbm nor an interface such as 10GBASE-LR rx"
    side, total = found[2].lower() + "x", bool(found[3])
    for row in shipped_tables()["application"]:
        if row["name"].lower() != found[1].lower() or side not in row:
            continue
        if "wavelengths_nm" in row and not total:
            return (
                f"{row['name']}: several wavelengths share the fibre; name it '{text} total' for"
                " their sum, or give min_dbm and max_dbm"
            )
        lanes = row["lanes"] if total and "wavelengths_nm" in row else 1
        window = {b: round(float(units.lanes_dbm(row[side][b], lanes)), 2) for b in BOUNDS_DBM}
        name = f"{row['name']} {side}" + (" total" if lanes > 1 else "")
        clause = f"{row['standard']}, {row['clause']}"
        return dict(row[side]) | window | {"name": name, "clause": clause}
    return f"no power window is known for {text!r}"


def windows(rows: pd.DataFrame) -> pd.DataFrame:
    """Make the limits of kinds that are not a sum: access classes, power windows, light.

    `rows` are needs with the columns of their link. Returns LIMIT_ROWS, one row per need.
    """
    if rows.empty:
        return tables.empty(tables.LIMIT_ROWS)
    number = columns.combined(*(columns.numbers(rows[c]) for c in ("kind", "class")))
    first = columns.firsts(number, int(number.max()) + 1)
    looked_up = pd.DataFrame(
        [_class_row(kind, klass) for kind, klass in rows[["kind", "class"]].iloc[first].to_numpy()]
    )
    out = rows.drop(columns=["min_dbm", "max_dbm"]).reset_index(drop=True)
    found = looked_up.take(number).reset_index(drop=True)
    planned = rows[["min_dbm", "max_dbm"]].reset_index(drop=True)
    own = planned.notna().any(axis=1) & out["kind"].isin(POWER)
    for bound in BOUNDS_DBM:
        out[bound] = planned[bound].where(own, found[bound])
    out["limit_db"], out["min_db"] = found["limit_db"], found["min_db"]
    plan_only = own & found["limit_db"].isna()
    out["limit_name"] = found["limit_name"].mask(plan_only, "power window")
    out["clause"] = found["clause"].mask(plan_only, "window of the plan")
    out["limit_confirmed"] = found["limit_confirmed"] | plan_only
    out["why_not"] = found["why_not"].mask(own, "")
    out["terms"] = "[]"
    position = pd.to_numeric(out["pair_position"], errors="coerce").fillna(0).astype("int64")
    out["fibre_position"] = position.where(out["kind"] == "polarity", 0)
    return out


def _class_row(kind: str, klass: str) -> dict[str, Any]:
    row: dict[str, Any] = {
        "limit_db": np.nan, "min_db": np.nan, "min_dbm": np.nan, "max_dbm": np.nan,
        "limit_name": "", "clause": "", "limit_confirmed": False, "why_not": "",
    }  # fmt: skip
    if kind in LIGHT:
        name = "light at the port" if kind == "continuity" else "position in the pair"
        return row | {"limit_name": name, "clause": "plan", "limit_confirmed": True}
    found = access_class(klass) if kind == "access" else interface(klass)
    if isinstance(found, str):
        return row | {"why_not": found}
    sure = found["confidence"] == "seen"
    if kind == "access":
        return row | {
            "limit_db": float(found["max_loss_db"]), "min_db": float(found["min_loss_db"]),
            "limit_name": f"{found['system']} {found['class']}", "clause": found["standard"],
            "limit_confirmed": sure,
        }  # fmt: skip
    return row | {
        "min_dbm": found["min_dbm"], "max_dbm": found["max_dbm"], "limit_confirmed": sure,
        "limit_name": found["name"], "clause": found["clause"],
    }  # fmt: skip
