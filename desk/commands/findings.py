"""`findings`: what is missing or suspect, worst first, each with its evidence and its remedy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby
from typing import Annotated, Any

import typer

from desk.terminal import Json, open_job, say, show_json

SHOWN = 8
"""Findings of one code that are printed; the rest are counted."""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("findings")(findings)


def findings(
    severity: Annotated[str, typer.Option(help="Only stop, check or note.")] = "",
    link: Annotated[str, typer.Option("--link", metavar="ID", help="Only of this link.")] = "",
    explain: Annotated[
        str, typer.Option("--explain", metavar="CODE", help="What a code means and where from.")
    ] = "",
    every: Annotated[bool, typer.Option("--all", help="Every finding, not the first few.")] = False,
    json: Json = False,
) -> None:
    """List what is missing or suspect: stop keeps a reading from being graded, check wants a look.

    Each code is shown with what it means and what to do about it.
    """
    from ingest.errors import BadInput
    from rules.codes import SEVERITIES

    if explain:
        _explain(explain, json)
        return
    if severity and severity not in SEVERITIES:
        raise BadInput(f"No severity '{severity}'; there are: {', '.join(SEVERITIES)}.")
    from ingest import views

    rows = views.findings(open_job(), severity, link)
    if json:
        show_json(rows)
        return
    tell(rows, None if every else SHOWN)


def tell(rows: Iterable[Mapping[str, Any]], most: int | None = SHOWN) -> None:
    """Print findings by severity and code; at most `most` of each code."""
    from rules.codes.findings import FINDINGS

    rows = list(rows)
    if not rows:
        say("No findings.")
        return
    for (severity, code), group in groupby(rows, lambda r: (r["severity"], r["code"])):
        listed = list(group)
        known = FINDINGS.get(code)
        say(f"{severity}  {code}: {known.meaning if known else 'a code of an older version'}"
            f" ({len(listed)})")  # fmt: skip
        for row in listed[:most]:
            asked = "  see its question" if row["question_id"] else ""
            say(f"    {row['subject']}: {row['message']}{asked}")
        if most is not None and len(listed) > most:
            say(f"    … and {len(listed) - most} more: 'glasstally findings --all'")
        say(f"    To do: {listed[0]['remedy']}.")


def _explain(code: str, as_json: bool) -> None:
    from ingest.errors import BadInput
    from rules.codes.findings import FINDINGS

    known = FINDINGS.get(code)
    if known is None:
        near = [slug for slug in FINDINGS if code in slug or slug in code]
        hint = f" Perhaps: {', '.join(near)}." if near else ""
        raise BadInput(f"No finding has the code '{code}'.{hint}")
    if as_json:
        show_json({"code": known.slug, "severity": known.severity, "meaning": known.meaning,
                   "remedy": known.remedy, "origin": known.origin})  # fmt: skip
        return
    say(f"{known.slug} ({known.severity}): {known.meaning}.")
    say(f"To do: {known.remedy}.")
    say(f"Rule and threshold: {known.origin}.")
