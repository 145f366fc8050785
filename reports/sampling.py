"""The owner's sample: a seeded draw that anybody can repeat, and what such a draw can find."""

from __future__ import annotations

import hashlib
import math

import numpy as np
import pandas as pd

from reports import facts, numbers, record, resulttable
from reports.document import (
    RULE,
    Block,
    Cell,
    Column,
    Document,
    Row,
    heading,
    pairs,
    parts_of,
    sheet,
    table,
    text,
    toned,
)  # fmt: skip
from reports.glyphs import printable
from reports.particulars import Particulars
from reports.requirements import Sample
from reports.words import Words, words
from rules import ends

SHARES = (0.01, 0.02, 0.05, 0.10)
"""Shares of bad links for which the chance of finding one is stated."""

SPREAD = ["panel", "meter_serial", "day"]


def chance(links: int, drawn: int, bad: int) -> float:
    """Return the chance that `drawn` of `links` hold at least one of the `bad` ones.

    1 − C(links − bad, drawn) / C(links, drawn): the hypergeometric distribution, exactly.
    """
    if not 0 <= bad <= links or not 0 <= drawn <= links:
        raise ValueError("0 <= bad <= links and 0 <= drawn <= links")
    missed = math.comb(links - bad, drawn)
    return 1.0 - missed / math.comb(links, drawn)


def size(links: int, percent: float) -> int:
    """Return how many links a share of them is, rounded up, at least one where there are any."""
    return min(links, max(1, math.ceil(round(links * percent / 100, 9)))) if links else 0


def draw(results: pd.DataFrame, percent: float, seed: str) -> pd.DataFrame:
    """Draw links out of `facts.results`: columns link_id and why (`drawn`, `marginal`).

    Links with accepted results only. Groups of panel, meter and day take part in proportion
    (largest remainder); inside a group the smallest SHA-256 of `seed link_id` are taken. Links
    with a marginal result that were not drawn follow. In plan order.
    """
    ready = results.loc[(results["grade"] != "") & (results["state"] == "accepted")]
    links = ready.drop_duplicates("link_id")[["link_id", "a_end", "meter_serial", "taken_at"]]
    if links.empty:
        return pd.DataFrame({"link_id": pd.Series(dtype="str"), "why": pd.Series(dtype="str")})
    links = links.assign(
        panel=ends.panel(links["a_end"]),
        day=links["taken_at"].str[:10],
        hash=[hashlib.sha256(f"{seed} {link}".encode()).hexdigest() for link in links["link_id"]],
    )
    wanted = size(len(links), percent)
    groups = links.groupby(SPREAD, sort=True)
    share = groups.size() * wanted / len(links)
    quota = pd.Series(np.floor(share.round(9)), index=share.index).astype("int64")
    # equal remainders are settled by the group's smallest hash, which nobody chose
    order = pd.DataFrame({"left": (share - quota).round(9), "hash": groups["hash"].min()})
    order = order.sort_values(["left", "hash"], ascending=[False, True])
    quota[order.index[: wanted - int(quota.sum())]] += 1
    rank = links.sort_values("hash").groupby(SPREAD).cumcount().reindex(links.index)
    taken = rank < links.merge(quota.rename("quota"), on=SPREAD, how="left")["quota"].to_numpy()
    marginal = set(ready.loc[ready["marginal"], "link_id"])
    links["why"] = np.where(taken, "drawn", np.where(links["link_id"].isin(marginal),
                                                     "marginal", ""))  # fmt: skip
    return links.loc[links["why"] != "", ["link_id", "why"]].reset_index(drop=True)


def document(results: pd.DataFrame, given: Particulars, wanted: Sample) -> Document:
    """Lay out the sample sheet with blanks to fill."""
    w = words(given.language)
    seed = wanted.seed or given.job_head
    drawn = draw(results, wanted.percent, seed)
    ready = results.loc[(results["grade"] != "") & (results["state"] == "accepted"), "link_id"]
    links = int(ready.nunique())
    count = int((drawn["why"] == "drawn").sum())
    blocks: list[Block] = [
        heading(w("sample.title")),
        text(
            w("sample.text", drawn=numbers.count(count, w.style),
              ready=numbers.count(links, w.style), percent=f"{wanted.percent:g}",
              marginal=numbers.count(len(drawn) - count, w.style))
        ),
        pairs(
            [
                (w("sample.seed"), w("sample.seed_text", seed=seed)),
                (w("sample.agree"),
                 w("sample.agree_text",
                   tolerance=numbers.decibel(wanted.tolerance_db, 2, w.style))),
            ]
        ),
        _signed(w),
        *_chances(links, count, w),
        heading(w("sample.tests")),
        *_tests(results, drawn, given, w),
    ]  # fmt: skip
    return Document("sample", record.meta(given, w, w("sample.name")), tuple(parts_of(blocks)))


def _signed(w: Words) -> Block:
    """Leave room for who measured with what."""
    heads = [head.strip() for head in w("sample.signed").split(",")]
    blank: Cell = {"k": "blank", "t": ""}
    return sheet([Column(head, 0) for head in heads], [[[RULE, *[blank] * len(heads)]]], 9.4, 2.2)


def _chances(links: int, drawn: int, w: Words) -> list[Block]:
    if not links:
        return []
    columns = [Column(w("sample.share"), 26, "r"), Column(w("sample.bad"), 30, "r"),
               Column(w("sample.chance"), 50, "r")]  # fmt: skip
    rows: list[Row] = []
    for share in SHARES:
        bad = max(1, math.ceil(round(links * share, 9)))
        found = numbers.probability(chance(links, drawn, bad), w.style)
        rows.append([RULE, f"{share * 100:g} %", numbers.count(bad, w.style), found])
    return [heading(w("sample.chance_head"), 2),
            text(w("sample.chance_text", ready=numbers.count(links, w.style))),
            sheet(columns, [rows])]  # fmt: skip


def _tests(results: pd.DataFrame, drawn: pd.DataFrame, given: Particulars, w: Words) -> list[Block]:
    columns = [
        Column(w("record.row"), 11, "r"), Column(w("record.link_long"), 0),
        Column(w("record.nm"), 11, "r"), Column(w("record.way"), 11),
        Column(w("sample.recorded"), 18, "r"), Column(w("record.limit"), 15, "r"),
        Column(w("sample.repeated"), 22), Column(w("sample.difference"), 22),
        Column(w("sample.agrees"), 18),
    ]  # fmt: skip
    chosen = results.loc[
        results["link_id"].isin(drawn["link_id"]) & (results["direction"] != "mean")
        & (results["loss_db"].notna() | results["power_dbm"].notna())
    ]  # fmt: skip
    why = dict(zip(drawn["link_id"], drawn["why"], strict=True))
    blank: Cell = {"k": "blank", "t": ""}
    rows: list[Row] = []
    link, lines = None, [""]
    for r in facts.each(resulttable.texts(chosen, given, w)):
        start = r.link_id != link
        if start:
            link = r.link_id
            lines = [r.link_id, r.ends, w(f"sample.why_{why[r.link_id]}")]
        name = printable(lines.pop(0)) if lines else ""
        cells: list[Cell] = [str(r.row), toned("mark", name) if start else name, r.nm, r.direction,
                             r.loss, r.limit, blank, blank, blank]  # fmt: skip
        rows.append([RULE, *cells] if start else cells)
    return table(columns, rows, w("common.none"), 10.0, 1.6)
