"""What grading finds and asks: limits missing or too tight, order or direction unknown."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import asking, ids, judgement, suspicions, tables
from rules.columns import Flags, Ints, codes, combined, distinct, firsts, starts, texts
from rules.evaluation import Decisions
from rules.judgement import Judged
from rules.results import WAYS, Candidates

REASONS = {
    "the grade of the test cords is unknown": "cord-grade-unknown",
    "the reference method is unknown": "method-unknown",
}
"""Reasons for having no limit that concern the run and not the plan."""


def of(
    judged: Judged,
    single: Judged,
    doubts: dict[str, pd.DataFrame],
    found: Candidates,
    decisions: Decisions,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return (FOUND, QUESTIONS) of grading, but for what `lacking` says of the whole job.

    `judged` are the judged rows, `single` the judged directions behind means, `doubts` the rows
    that could not be placed, by cause.
    """
    lacks = _lacks(judged)
    findings = suspicions.join(
        _of_runs(judged, lacks, found),
        _too_tight(judged, found),
        _hidden(judged, single, found),
        _in_doubt(doubts["in-doubt"], found),
        _unplanned(judged, found),
        _undated(doubts["undated"], found),
    )
    done = asking.settled(decisions)
    asked = [
        *_ask_direction(doubts["undirected"], found, done),
        *_ask_order(doubts["unordered"], found, done),
    ]
    return findings, asking.questions(asked)


@dataclass(frozen=True)
class _Lacks:
    """Why limits have no value: the reason of each limit by number, and the reasons."""

    number: Ints
    reasons: list[str]
    applied: Flags
    """Which limits current results were held against."""

    def among(self, reasons: Collection[str]) -> Flags:
        """Tell which limits lack a value for one of these reasons."""
        hit = np.array([reason in reasons for reason in self.reasons], dtype="bool")
        return hit[self.number] if len(self.number) else np.zeros(0, "bool")


def _lacks(judged: Judged) -> _Lacks:
    number, reasons = codes(judged.table["why_not"])
    current = judged.rows["current"].to_numpy()[judged.applied["row"].to_numpy()]
    used = np.zeros(len(judged.table) + 1, dtype="bool")
    used[judged.applied["limit"].to_numpy()[current]] = True
    return _Lacks(number, list(reasons), used[:-1])


LACKING: tables.Columns = {"limit_name": "few", "why_not": "few", "link_id": "few"}
"""Links whose limit nobody has confirmed (`why_not` empty), or that have none, and why."""
LACKED: tables.Columns = {
    "limit_name": "text", "why_not": "text", "links": "int", "first": "text",
}  # fmt: skip
"""The same counted: how many links, and the first of them."""


def lacking(judged: Judged) -> pd.DataFrame:
    """List the links whose limit is unconfirmed or missing (LACKING)."""
    lacks = _lacks(judged)
    reasons = [reason for reason in lacks.reasons if reason not in REASONS]
    sure = lacks.among(("",)) & judged.table["limit_confirmed"].to_numpy()
    rows = np.flatnonzero(lacks.among(reasons) & ~sure & lacks.applied)
    return tables.conform(judged.table[[*LACKING]].take(rows), LACKING)


def counted(lacking: pd.DataFrame, region: Ints) -> pd.DataFrame:
    """Count LACKING for each region by itself: LACKED and `region`, of each row of it."""
    if lacking.empty:
        return tables.empty({**LACKED, "region": "int"})
    (link, links), (limit, limits), (why, whys) = (
        codes(lacking[name], sort=True) for name in ("link_id", "limit_name", "why_not")
    )
    group, size = combined(region, limit, why), len(links)
    # each link once, the links of a group in the order of their names
    pair = distinct(group * size + link)
    begin = np.flatnonzero(starts(pair // size))
    of = firsts(group, len(begin))
    return pd.DataFrame(
        {
            "region": region[of], "limit_name": texts(limits, limit[of]),
            "why_not": texts(whys, why[of]), "links": np.diff(np.append(begin, len(pair))),
            "first": texts(links, pair[begin] % size),
        }
    )  # fmt: skip


def of_job(lacked: pd.DataFrame) -> pd.DataFrame:
    """Return FOUND of what parts of a job lack (LACKED; no link stands in two of them)."""
    counts = lacked.groupby(["limit_name", "why_not"], as_index=False).agg(
        links=("links", "sum"), first=("first", "min")
    )
    unsure = counts["why_not"] == ""
    return suspicions.join(
        _unconfirmed(counts.loc[unsure, "limit_name"]), _missing(counts.loc[~unsure])
    )


def _unconfirmed(names: pd.Series) -> pd.DataFrame:
    """One finding for the job: which limits of graded links nobody has confirmed."""
    if not len(names):
        return suspicions.none()
    return suspicions.found(
        "limit-unconfirmed",
        subject="job",
        message=f"Results are graded by {', '.join(sorted(names))}, whose values nobody has"
        " confirmed",
    )


def _missing(counts: pd.DataFrame) -> pd.DataFrame:
    """One finding per limit and reason, with how many links it concerns."""
    if counts.empty:
        return suspicions.none()
    return suspicions.found(
        "limit-missing",
        subject=[f"limit {name}" if name else "job" for name in counts["limit_name"]],
        message=[
            f"{why[0].upper()}{why[1:]}: no limit for {n} link{'s' * (n > 1)} (first: {first})"
            for why, n, first in zip(
                counts["why_not"], counts["links"], counts["first"], strict=True
            )
        ],
    )


def _of_runs(judged: Judged, lacks: _Lacks, found: Candidates) -> pd.DataFrame:
    """One finding per run whose cords or method are not known where the limit needs them."""
    parts = []
    for reason, code in REASONS.items():
        if reason not in lacks.reasons:
            continue
        lacking = np.append(lacks.among((reason,)), False)[judged.applied["limit"].to_numpy()]
        hit = np.zeros(len(judged.rows), dtype="bool")
        hit[judged.applied["row"].to_numpy()[lacking]] = True
        counts = _by_run(judged.rows[["run"]].loc[hit & judged.rows["current"]], found)
        if counts.empty:
            continue
        parts.append(
            suspicions.found(
                code,
                subject=[f"run {run}" for run in counts["run_id"]],
                run_id=counts["run_id"],
                message=[
                    f"{reason[0].upper()}{reason[1:]}: {n} result{'s' * (n > 1)} without a limit"
                    for n in counts["n"]
                ],
            )
        )
    return suspicions.join(*parts)


def _by_run(rows: pd.DataFrame, found: Candidates) -> pd.DataFrame:
    """Count rows by run: run_id, n."""
    n = np.bincount(rows["run"].to_numpy() + 1)
    there = np.flatnonzero(n)
    names = pd.array(["", *found.runs["run_id"]], dtype="str").take(there)
    return pd.DataFrame({"run_id": names, "n": n[there]}).sort_values("run_id")


def _too_tight(judged: Judged, found: Candidates) -> pd.DataFrame:
    """One finding per link whose limit is below the expanded uncertainty."""
    limit = np.append(judged.table["limit_db"].to_numpy(), np.nan)[judged.deciding]
    expanded = judged.measures["uncertainty_db"]
    tight = (limit < expanded) & judged.rows["current"].to_numpy()
    if not tight.any():
        return suspicions.none()
    rows = judged.rows.loc[tight].assign(limit=limit[tight], expanded=expanded[tight])
    first = rows.sort_values(["link", "limit", "wavelength_nm", "way"]).drop_duplicates("link")
    links = found.links.take(first["link"].to_numpy())
    return suspicions.found(
        "limit-below-uncertainty",
        subject=[f"link {link}" for link in links],
        link_id=links.to_numpy(),
        wavelength_nm=first["wavelength_nm"],
        message=[
            f"The limit {limit:.2f} dB at {nm} nm is below the uncertainty of {u:.2f} dB:"
            " this method does not suit this link"
            for limit, nm, u in zip(
                first["limit"], first["wavelength_nm"], first["expanded"], strict=True
            )
        ],
    )


def _hidden(judged: Judged, single: Judged, found: Candidates) -> pd.DataFrame:
    """One finding per direction that fails behind a mean that passes."""
    if single.rows.empty:
        return suspicions.none()
    key = ["link", "kind", "wavelength_nm"]
    good = judged.rows["grade"].isin((judgement.PASS, judgement.CONDITIONAL_PASS))
    means = judged.rows.loc[good & (judged.rows["way"] == WAYS.index("mean")), key]
    limit = np.append(single.table["limit_db"].to_numpy(), np.nan)[single.deciding]
    bad = single.rows.assign(limit=limit)
    failed = bad["grade"].isin((judgement.CONDITIONAL_FAIL, judgement.FAIL))
    bad = bad.loc[failed].merge(means, on=key)
    if bad.empty:
        return suspicions.none()
    named = found.texts(bad)
    limits = bad["limit"].reindex(named.index)
    return suspicions.found(
        "mean-hides-fail",
        subject=[f"link {link}" for link in named["link_id"]],
        link_id=named["link_id"],
        run_id=named["run_id"],
        reading_id=named["reading_id"],
        wavelength_nm=named["wavelength_nm"],
        message=[
            f"{way} at {nm} nm is {loss:.2f} dB, over the limit of {limit:.2f} dB; the mean passes"
            for way, nm, loss, limit in zip(
                named["direction"], named["wavelength_nm"], named["loss_db"], limits, strict=True
            )
        ],
    )


def _in_doubt(rows: pd.DataFrame, found: Candidates) -> pd.DataFrame:
    """One finding per run whose newer readings are held back while older results count."""
    counts = _by_run(rows, found)
    if counts.empty:
        return suspicions.none()
    return suspicions.found(
        "newer-in-doubt",
        subject=[f"run {run}" for run in counts["run_id"]],
        run_id=counts["run_id"],
        message=[
            f"{n} reading{'s' * (n > 1)} of tests that have an older valid result cannot be graded;"
            " the older result counts"
            for n in counts["n"]
        ],
    )


def _unplanned(judged: Judged, found: Candidates) -> pd.DataFrame:
    """One note per run with readings in a direction that the plan does not ask for."""
    unplanned = judged.rows["current"] & judged.rows["unplanned"]
    counts = _by_run(judged.rows[["run"]].loc[unplanned], found)
    if counts.empty:
        return suspicions.none()
    return suspicions.found(
        "direction-not-planned",
        subject=[f"run {run}" for run in counts["run_id"]],
        run_id=counts["run_id"],
        message=[f"{n} results answer to no planned test" for n in counts["n"]],
    )


def _undated(rows: pd.DataFrame, found: Candidates) -> pd.DataFrame:
    if rows.empty:
        return suspicions.none()
    counts = found.texts(rows).groupby("link_id").size().reset_index(name="n")
    return suspicions.found(
        "repair-undated",
        subject=[f"link {link}" for link in counts["link_id"]],
        link_id=counts["link_id"],
        message=[
            f"{n} reading{'s' * (n > 1)} without a clock came in after the repair: taken as newer"
            for n in counts["n"]
        ],
    )


def _ask_direction(
    doubts: pd.DataFrame, found: Candidates, done: asking.Settled
) -> list[dict[str, object]]:
    """One question per run: at which end was the meter?"""
    if doubts.empty:
        return []
    rows = found.texts(doubts)
    asked = []
    ends = {"a-b": "the meter was at the B end", "b-a": "the meter was at the A end"}
    for run, part in rows.groupby("run_id", sort=True):
        readings = list(part["reading_id"])
        links = part["link_id"].nunique()
        asked.append(
            asking.ask(
                "direction-unknown",
                f"Run {run}: {len(readings)} readings of {links} links do not say their direction,"
                " and both are planned. At which end was the meter?",
                "ask the crew at which end the meter was",
                readings,
                [
                    {"action": "direction", "argument": way, "label": text, "confidence": 0.5}
                    for way, text in ends.items()
                ],
                [{"term": "plan", "weight": 0, "text": "both directions are planned"}],
                done,
                cause=str(run),
            )
        )
    return asked


def _ask_order(
    doubts: pd.DataFrame, found: Candidates, done: asking.Settled
) -> list[dict[str, object]]:
    """One question per pair of runs (or single run) whose readings cannot be put in order."""
    if doubts.empty:
        return []
    rows = found.texts(doubts)
    runs = rows.groupby("test")["run_id"].transform(lambda r: ids.SEPARATOR.join(sorted(set(r))))
    asked = []
    for together, part in rows.groupby(runs, sort=True):
        names = str(together).split(ids.SEPARATOR)
        tests = part["test"].nunique()
        options = [
            {
                "action": "accept-value",
                "reading_ids": sorted(part.loc[part["run_id"] == run, "reading_id"]),
                "label": f"the readings of run {run} count",
                "confidence": round(1 / len(names), 6),
            }
            for run in names
        ]
        if len(names) == 1:
            options = []
        options.append({"action": "retest", "label": "test again", "confidence": 0.0})
        asked.append(
            asking.ask(
                "order-unknown",
                f"{tests} tests have several readings (runs {', '.join(names)}) and neither clock,"
                " slot nor run sheet says which is the newest.",
                "give day and time on the run sheets, or say which run is the newer one",
                list(part["reading_id"]),
                options,
                [{"term": "order", "weight": 0, "text": "no common clock, slot order or date"}],
                done,
                cause=str(together),
            )
        )
    return asked
