"""What the crew has to do again before it leaves, in the order in which it walks."""

from __future__ import annotations

import json

import pandas as pd

from rules import columns, ends, tables

WALK = ["building", "floor", "panel", "port", "position", "wavelength_nm", "direction"]


def make(states: pd.DataFrame, links: pd.DataFrame, answers: pd.DataFrame) -> pd.DataFrame:
    """List tests that are missing, failed or decided to be redone, as RETESTS in walking order.

    Doubtful tests are not listed: they wait for a decision, and a needless trip costs more.
    """
    decided = _decided(answers)
    wanted = states["state"].isin(("missing", "failed"))
    again = states["link_id"].isin(decided) & ~states["state"].isin(("waived", "blocked"))
    table = states.loc[wanted | again].merge(
        links[["link_id", "building", "floor", "a_end", "b_end"]], on="link_id"
    )
    if table.empty:
        return tables.empty(tables.RETESTS)
    redo = ~table["state"].isin(("missing", "failed"))
    table["why"] = table["why"].astype("str").mask(redo, "decided: measure again")
    backwards = table["direction"] == "b-a"
    near = table["a_end"].mask(backwards, table["b_end"])
    table["panel"], table["port"] = ends.panel(near), ends.port(near)
    table["far_end"] = table["b_end"].mask(backwards, table["a_end"])
    places = pd.Series("source at A, meter at B", index=table.index, dtype="str")
    places = places.mask(backwards, "source at B, meter at A")
    measure = table["wavelength_nm"].astype("str") + " nm, " + places
    table["what"] = measure.mask(table["wavelength_nm"] == 0, "light at the right port")
    key = pd.DataFrame(
        {
            "building": ends.walk_key(table["building"]), "floor": ends.walk_key(table["floor"]),
            "panel": ends.walk_key(table["panel"]), "port": ends.walk_key(table["port"]),
            "position": table["position"], "wavelength_nm": table["wavelength_nm"],
            "direction": table["direction"],
        }
    )  # fmt: skip
    order = key.sort_values(WALK, kind="stable").index
    return tables.conform(table.loc[order], tables.RETESTS)


def steps(retests: pd.DataFrame) -> columns.Ints:
    """Number the rows of each link from 0 in walking order; `retests` is a table of `make`.

    A link has one position in the plan, so that position and step tell the order within the plan,
    whatever is listed of other links.
    """
    return columns.occurrence(retests["position"].to_numpy("int64"))


def _decided(answers: pd.DataFrame) -> list[str]:
    links: set[str] = set()
    for ids in answers.loc[answers["action"] == "retest", "link_ids"]:
        links.update(json.loads(ids or "[]"))
    return sorted(filter(None, links))
