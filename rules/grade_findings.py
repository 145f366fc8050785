"""What grading finds and asks: limits missing or too tight, order or direction unknown."""

from __future__ import annotations

import pandas as pd

from rules import asking, suspicions
from rules.evaluation import Decisions
from rules.settings import Settings

REASONS = {
    "the grade of the test cords is unknown": "cord-grade-unknown",
    "the reference method is unknown": "method-unknown",
}
"""Reasons for having no limit that concern the run and not the plan."""


def of(
    graded: pd.DataFrame,
    single: pd.DataFrame,
    doubts: dict[str, pd.DataFrame],
    limits: pd.DataFrame,
    planned: pd.DataFrame,
    runs: pd.DataFrame,
    decisions: Decisions,
    settings: Settings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return (FOUND, QUESTIONS) of grading.

    `graded` are the judged rows, `single` the judged directions behind means, `doubts` the rows
    that could not be placed, by cause.
    """
    current = graded.loc[graded["current"]]
    found = suspicions.join(
        _unconfirmed(current, limits),
        _missing(current, limits),
        _of_runs(current, limits),
        _too_tight(current),
        _hidden(graded, single),
        _in_doubt(doubts["in-doubt"]),
        _unplanned(current),
        _undated(doubts["undated"]),
    )
    done = asking.settled(decisions)
    asked = [
        *_ask_direction(doubts["undirected"], runs, done),
        *_ask_order(doubts["unordered"], done),
    ]
    return found, asking.questions(asked)


def _unconfirmed(current: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """One finding for the job: which limits of graded links nobody has confirmed."""
    used = limits["link_id"].isin(current["link_id"]) & (limits["why_not"] == "")
    names = limits.loc[used & ~limits["limit_confirmed"], "limit_name"].unique()
    if not len(names):
        return suspicions.none()
    listed = ", ".join(sorted(names))
    return suspicions.found(
        "limit-unconfirmed",
        subject="job",
        message=f"Results are graded against values of {listed} that nobody has confirmed.",
    )


def _missing(current: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """One finding per limit and reason, with how many links it concerns."""
    lacking = limits.loc[
        (limits["why_not"] != "")
        & ~limits["why_not"].isin(REASONS)
        & limits["link_id"].isin(current["link_id"])
    ]
    if lacking.empty:
        return suspicions.none()
    keys = ["limit_name", "why_not"]
    counts = lacking.groupby(keys)["link_id"].agg(["nunique", "min"]).reset_index()
    return suspicions.found(
        "limit-missing",
        subject=[f"limit {name}" if name else "job" for name in counts["limit_name"]],
        message=[
            f"{why[0].upper()}{why[1:]}: no limit for {n} link{'s' * (n > 1)} (first: {first})."
            for why, n, first in zip(
                counts["why_not"], counts["nunique"], counts["min"], strict=True
            )
        ],
    )


def _of_runs(current: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """One finding per run whose cords or method are not known where the limit needs them."""
    parts = []
    key = ["link_id", "wavelength_nm", "reference_method", "cord_grade"]
    for reason, code in REASONS.items():
        lacking = limits.loc[limits["why_not"] == reason, key].drop_duplicates()
        hit = current.merge(lacking, on=key)
        counts = hit.groupby("run_id").size().reset_index(name="n")
        if counts.empty:
            continue
        parts.append(
            suspicions.found(
                code,
                subject=[f"run {run}" for run in counts["run_id"]],
                run_id=counts["run_id"],
                message=[
                    f"{reason[0].upper()}{reason[1:]}: {n} result{'s' * (n > 1)} not graded."
                    for n in counts["n"]
                ],
            )
        )
    return suspicions.join(*parts)


def _too_tight(current: pd.DataFrame) -> pd.DataFrame:
    """One finding per link whose limit is below the expanded uncertainty."""
    tight = current.loc[current["limit_db"] < current["uncertainty_db"]]
    tight = tight.sort_values(["link_id", "limit_db", "wavelength_nm"]).drop_duplicates("link_id")
    if tight.empty:
        return suspicions.none()
    return suspicions.found(
        "limit-below-uncertainty",
        subject=[f"link {link}" for link in tight["link_id"]],
        link_id=tight["link_id"],
        wavelength_nm=tight["wavelength_nm"],
        message=[
            f"The limit {limit:.2f} dB at {nm} nm is below the uncertainty of {u:.2f} dB:"
            " this method does not suit this link."
            for limit, nm, u in zip(
                tight["limit_db"], tight["wavelength_nm"], tight["uncertainty_db"], strict=True
            )
        ],
    )


def _hidden(graded: pd.DataFrame, single: pd.DataFrame) -> pd.DataFrame:
    """One finding per mean that passes while one of its directions fails."""
    key = ["link_id", "kind", "wavelength_nm"]
    good = ("pass", "conditional-pass")
    means = graded.loc[(graded["direction"] == "mean") & graded["grade"].isin(good), key]
    bad = single.loc[single["grade"].isin(("fail", "conditional-fail"))].merge(means, on=key)
    if bad.empty:
        return suspicions.none()
    return suspicions.found(
        "mean-hides-fail",
        subject=[f"link {link}" for link in bad["link_id"]],
        link_id=bad["link_id"],
        run_id=bad["run_id"],
        reading_id=bad["reading_id"],
        wavelength_nm=bad["wavelength_nm"],
        message=[
            f"{way} at {nm} nm is {loss:.2f} dB, over the limit of {limit:.2f} dB; the mean passes."
            for way, nm, loss, limit in zip(
                bad["direction"], bad["wavelength_nm"], bad["loss_db"], bad["limit_db"], strict=True
            )
        ],
    )


def _in_doubt(rows: pd.DataFrame) -> pd.DataFrame:
    """One finding per run whose newer readings are held back while older results count."""
    counts = rows.groupby("run_id").size().reset_index(name="n")
    if counts.empty:
        return suspicions.none()
    return suspicions.found(
        "newer-in-doubt",
        subject=[f"run {run}" for run in counts["run_id"]],
        run_id=counts["run_id"],
        message=[
            f"{n} reading{'s' * (n > 1)} of tests that have an older valid result cannot be graded;"
            " the older result counts."
            for n in counts["n"]
        ],
    )


def _unplanned(current: pd.DataFrame) -> pd.DataFrame:
    """One note per run with readings in a direction that the plan does not ask for."""
    extra = current.loc[current["unplanned"]]
    counts = extra.groupby("run_id").size().reset_index(name="n")
    if counts.empty:
        return suspicions.none()
    return suspicions.found(
        "direction-not-planned",
        subject=[f"run {run}" for run in counts["run_id"]],
        run_id=counts["run_id"],
        message=[f"{n} results answer to no planned test." for n in counts["n"]],
    )


def _undated(rows: pd.DataFrame) -> pd.DataFrame:
    counts = rows.groupby("link_id").size().reset_index(name="n")
    if counts.empty:
        return suspicions.none()
    return suspicions.found(
        "repair-undated",
        subject=[f"link {link}" for link in counts["link_id"]],
        link_id=counts["link_id"],
        message=[
            f"{n} reading{'s' * (n > 1)} without a clock came in after the repair: taken as newer."
            for n in counts["n"]
        ],
    )


def _ask_direction(
    rows: pd.DataFrame, runs: pd.DataFrame, done: asking.Settled
) -> list[dict[str, object]]:
    """One question per run: at which end was the meter?"""
    asked = []
    ends = {"a-b": "the meter was at the B end", "b-a": "the meter was at the A end"}
    for run, part in rows.groupby("run_id", sort=True):
        ids = list(part["reading_id"])
        links = part["link_id"].nunique()
        asked.append(
            asking.ask(
                "direction-unknown",
                f"Run {run}: {len(ids)} readings of {links} links do not say their direction,"
                " and both are planned. At which end was the meter?",
                "ask the crew at which end the meter was",
                ids,
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


def _ask_order(rows: pd.DataFrame, done: asking.Settled) -> list[dict[str, object]]:
    """One question per pair of runs (or single run) whose readings cannot be put in order."""
    if rows.empty:
        return []
    key = ["link_id", "kind", "wavelength_nm", "direction"]
    runs = rows.groupby(key, sort=False)["run_id"].transform(lambda r: " ".join(sorted(set(r))))
    asked = []
    for together, part in rows.groupby(runs, sort=True):
        names = str(together).split()
        tests = len(part[key].drop_duplicates())
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
