"""Checks across the two directions of one link, and the two fibres of a pair."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import among, combined, firsts, numbers

LEAST = 8
"""Fewest tests made twice one way that say something of a run."""


def _in_pairs_with(table: pd.DataFrame, marked: pd.Series, least: int = 1) -> pd.DataFrame:
    """Keep the pairs of runs of which at least so many rows are marked."""
    pair = combined(table["run_ab"].to_numpy(), table["run_ba"].to_numpy())
    n = np.bincount(pair[marked.to_numpy()], minlength=int(pair.max(initial=-1)) + 1)
    return table.loc[(n >= least)[pair] & (n > 0)[pair]]


@check("directions-differ", "core-mismatch")
def differ(context: Context) -> pd.DataFrame:
    """Find links whose directions differ, and pairs of runs that differ throughout."""
    table = context.both_ways
    table = _in_pairs_with(
        table, table["difference"].abs() > context.threshold("directions_warn_db")
    )
    if table.empty:
        return suspicions.none()
    pair = combined(table["run_ab"].to_numpy("int64"), table["run_ba"].to_numpy("int64"))
    middle = table["difference"].groupby(pair).transform("median").to_numpy()
    many = table["difference"].groupby(pair).transform("size").to_numpy() >= 5
    core = many & (np.abs(middle) > context.threshold("core_db"))
    runs, texts = [], []
    for _, part in table.loc[core].groupby(pair[core], sort=True):
        typical = part["difference"].median()
        worse = "run_ab" if typical > 0 else "run_ba"
        runs.append(int(part[worse].iloc[0]))
        texts.append(f"loses {abs(typical):.2f} dB more than the other direction on "
                     f"{part['link'].nunique()} links")  # fmt: skip
    apart = table["difference"].abs().round(4).to_numpy()
    hit = table.loc[~core & (apart > context.threshold("directions_warn_db"))]
    worst = hit.loc[hit["difference"].abs().groupby(hit["link"]).idxmax()]
    worst = worst.sort_values("link")
    strong = context.threshold("directions_strong_db")
    return suspicions.join(
        wording.of_runs(context, "core-mismatch", np.array(runs, "int64"), texts),
        wording.of_readings(
            context, "directions-differ",
            np.where(worst["difference"] > 0, worst["ab"], worst["ba"]).astype("int64"),
            [f"a-b {context.loss[a]:.2f} dB, b-a {context.loss[b]:.2f} dB"
             + (": far apart" if abs(d) > strong else "")
             for a, b, d in zip(worst["ab"], worst["ba"], worst["difference"], strict=True)],
        ),
    )  # fmt: skip


@check("directions-identical")
def identical(context: Context) -> pd.DataFrame:
    """Find pairs of runs whose links are equal both ways at every wavelength too often."""
    table = context.both_ways
    if table.empty:
        return suspicions.none()
    table = table.assign(equal=table["difference"].abs() < 0.0005)
    least = context.threshold("identical_share") * context.threshold("identical_links")
    table = _in_pairs_with(table, table["equal"], int(least))
    ab, ba, link = (table[name].to_numpy("int64") for name in ("run_ab", "run_ba", "link"))
    of_link = combined(ab, ba, link)
    several = np.bincount(of_link) > 1
    equal = np.bincount(of_link, ~table["equal"].to_numpy()) == 0
    # each link once, in the order of the pairs of runs
    row = firsts(of_link, len(several))[several]
    pairs = pd.DataFrame({"run_ab": ab[row], "run_ba": ba[row], "all": equal[several]})
    share = pairs.groupby(["run_ab", "run_ba"], sort=True)["all"].agg(["mean", "size"])
    share = share.reset_index()
    share = share.loc[share["run_ab"] != share["run_ba"]]
    hit = share.loc[(share["mean"] > context.threshold("identical_share"))
                    & (share["size"] >= context.threshold("identical_links"))]  # fmt: skip
    return wording.of_runs(
        context, "directions-identical", hit["run_ba"].to_numpy("int64"),
        [f"{mean:.0%} of {n} links are equal both ways at every wavelength"
         for mean, n in zip(hit["mean"], hit["size"], strict=True)],
    )  # fmt: skip


@check("direction-doubled")
def doubled(context: Context) -> pd.DataFrame:
    """Find runs over links tested twice one way while the planned other way is missing."""
    planned = context.asked[:, :, :2].all(axis=2).any(axis=1)
    there = context.current[:, :, :2] >= 0
    lone = planned[:, None] & (there[:, :, 0] != there[:, :, 1])
    if not lone.any():
        return suspicions.none()
    known = np.flatnonzero(context.cell >= 0)
    rows = known[lone.ravel()[context.cell[known]]]
    rows = rows[context.way[rows] < 2]
    cell = context.cell[rows]
    ways = np.stack([np.bincount(cell, context.way[rows] == way) for way in (0, 1)])
    again = ((ways.min(axis=0) == 0) & (ways.sum(axis=0) > 1))[cell]
    frame = pd.DataFrame({"cell": cell[again], "run": context.run[rows[again]]})
    twice = frame.groupby("cell")["run"].transform("nunique").to_numpy() > 1
    count = np.bincount(frame["run"].to_numpy()[twice], minlength=len(context.runs))
    if count.max(initial=0) < LEAST:
        return suspicions.none()
    every = known[planned[context.link[known]] & (context.way[known] < 2)]
    share = count / np.maximum(np.bincount(context.run[every], minlength=len(context.runs)), 1)
    hit = np.flatnonzero((share > context.threshold("doubled_share")) & (count >= LEAST))
    return wording.of_runs(
        context, "direction-doubled", hit,
        [f"{n} tests were made the same way in another run, none the other way"
         for n in count[hit].tolist()],
    )  # fmt: skip


@check("pair-exchanged", "pair-dark")
def neighbours(context: Context) -> pd.DataFrame:
    """Find pairs whose fibres look exchanged: both dark, or each like the other from afar."""
    links = context.plan.links
    members = links.loc[links["pair"] != "", ["cable", "pair"]]
    pair = numbers(members["cable"] + "\x1f" + members["pair"])
    frame = pd.DataFrame({"row": members.index.to_numpy(), "pair": pair})
    frame = frame.loc[frame.groupby("pair")["row"].transform("size") == 2].sort_values(
        ["pair", "row"]
    )
    rows = frame["row"].to_numpy("int64")
    if not len(rows):
        return suspicions.none()
    first, second = rows[::2], rows[1::2]
    return suspicions.join(_dark(context, first, second), _crossed(context, first, second))


def _dark(context: Context, first: np.ndarray, second: np.ndarray) -> pd.DataFrame:
    dark = context.single & (context.link >= 0)
    dark &= among(context.working["state"], ("no-light", "under-range"))
    lit = np.zeros(len(context.plan.links), dtype="bool")
    unlit = lit.copy()
    unlit[context.link[dark]] = True
    lit[context.link[~np.isnan(context.loss)]] = True
    hit = np.flatnonzero((unlit & ~lit)[first] & (unlit & ~lit)[second])
    names = context.link_ids
    shown = np.full(len(lit), -1, dtype="int64")
    shown[context.link[dark]] = np.flatnonzero(dark)
    return wording.of_links(
        context, "pair-dark", first[hit],
        [f"{names[a]} and {names[b]} are both dark; nothing here proves that no light is on them"
         for a, b in zip(first[hit], second[hit], strict=True)],
        rows=shown[first[hit]],
    )  # fmt: skip


def _crossed(context: Context, first: np.ndarray, second: np.ndarray) -> pd.DataFrame:
    """Compare a-b of each fibre with b-a of its own and of its partner."""
    ab, ba = context.latest[:, :, 0], context.latest[:, :, 1]
    own = np.abs(ab - ba)
    cross = np.fmax(np.abs(ab[first] - ba[second]), np.abs(ab[second] - ba[first]))
    straight = np.fmin(own[first], own[second])
    limit = context.threshold("directions_warn_db")
    with np.errstate(invalid="ignore"):
        hit = ((straight > limit) & (cross < limit / 2.0)).any(axis=1)
    at = np.flatnonzero(hit)
    names = context.link_ids
    current = context.current[first[at], :, 0].max(axis=1) if len(at) else at
    return wording.of_links(
        context, "pair-exchanged", first[at],
        [f"{names[a]} from A looks like {names[b]} from B, and the other way round"
         for a, b in zip(first[at], second[at], strict=True)],
        rows=current,
    )  # fmt: skip
