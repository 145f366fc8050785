"""What is worked out for one link when somebody looks at it: uncertainty and applications."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from desk.terminal import say, show_table
from rules.settings import Settings

MOST_NAMES = 6
"""Applications named in one line of the terminal before it wraps into the next."""


def of(link: Mapping[str, Any], settings: Settings) -> dict[str, list[dict[str, Any]]]:
    """Return `uncertainty` (see `budgets`) and `applications` (SUPPORT) of a link's view."""
    return {
        "uncertainty": budgets(link["grades"], settings),
        "applications": _applications(link),
    }


def budgets(grades: Sequence[Mapping[str, Any]], settings: Settings) -> list[dict[str, Any]]:
    """Return the uncertainty budgets behind a link's current results, each once.

    Keys: tests (the wavelengths and directions it holds for), coverage_factor, uncertainty_db
    (expanded), parts (rows of `rules.uncertainty.budget`).
    """
    from rules import uncertainty

    out: list[dict[str, Any]] = []
    for row in grades:
        expanded = row["uncertainty_db"]
        if row["grade"] == "superseded" or expanded is None or expanded != expanded:
            continue
        parts = uncertainty.of_result(row, settings)
        test = f"{row['wavelength_nm']} nm {row['direction']}".strip()
        same = [one for one in out if one["parts"] == parts]
        if same:
            same[0]["tests"].append(test)
            continue
        out.append(
            {"tests": [test], "coverage_factor": settings.coverage_factor,
             "uncertainty_db": expanded, "parts": parts}
        )  # fmt: skip
    return out


def _applications(link: Mapping[str, Any]) -> list[dict[str, Any]]:
    import pandas as pd

    from rules import applications, tables

    grades = tables.spelled(tables.conform(pd.DataFrame(list(link["grades"])), tables.GRADES))
    plan = tables.conform(pd.DataFrame([link["plan"]]), tables.LINKS)
    found = applications.supported(applications.results(plan, grades))
    return [{str(k): v for k, v in row.items()} for row in found.to_dict("records")]


def tell_budgets(found: Sequence[Mapping[str, Any]]) -> None:
    """Print uncertainty budgets as tables; shares are of the squares."""
    for one in found:
        rows = [
            part | {"share": f"{100 * part['share']:.0f} %", "u_db": round(part["u_db"], 4)}
            for part in one["parts"]
        ]
        show_table(
            rows,
            [("part", "part"), ("each_db", "u dB"), ("count", "times"), ("u_db", "adds dB"),
             ("share", "share")],
            title=f"\nUncertainty at {', '.join(one['tests'])}: "
            f"U = {one['uncertainty_db']:.2f} dB (k = {one['coverage_factor']:g})",
        )  # fmt: skip


def tell_applications(found: Sequence[Mapping[str, Any]]) -> None:
    """Print which applications the link supports, and of the others why not."""
    if not found:
        return
    say("\nApplications supported, with 10 m of cords (their limits are partly from memory)")
    names = [row["application"] + (" (engineered)" if row["why"] else "")
             for row in found if row["supported"]]  # fmt: skip
    names = list(dict.fromkeys(names))
    for place in range(0, len(names), MOST_NAMES):
        say("  " + ", ".join(names[place : place + MOST_NAMES]))
    if not names:
        say("  none")
    show_table(
        [row for row in found if not row["supported"]],
        [("application", "not supported"), ("standard", "by"), ("wavelength_nm", "nm"),
         ("why", "why")],
        title="",
        empty="",
    )  # fmt: skip
