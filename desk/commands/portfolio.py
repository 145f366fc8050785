"""`portfolio`: all of a company's jobs at once, from the tables that they exported."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desk.terminal import Exit, Json, progress, say, show_json, show_table

if TYPE_CHECKING:
    from ingest.portfolio import Portfolio

SHOWN = 12
"""Rows of a section that are printed; the rest are counted."""


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("portfolio")(portfolio)


def portfolio(
    folders: Annotated[
        list[Path], typer.Argument(metavar="DIR…", help="Folders with exported jobs in or below.")
    ],
    today: Annotated[
        datetime | None,
        typer.Option("--on", formats=["%Y-%m-%d"], help="The day to look from; else today."),
    ] = None,
    within: Annotated[
        int, typer.Option(min=0, help="Days before the end of a calibration at which it is due.")
    ] = 60,
    every: Annotated[bool, typer.Option("--all", help="Every row, not the first few.")] = False,
    json: Json = False,
) -> None:
    """Sum up many jobs: completion, failures and causes, crews, instruments due, cords wearing.

    Reads what 'export all --format parquet', 'evaluate' or a handover wrote, one folder per job.
    Exit code 1: a file could not be read; it is named, and all the others are counted.
    """
    from ingest import portfolio as sums

    day = (today or datetime.now()).date()
    with progress("reading jobs", quiet=json) as step:
        found = sums.summarise(folders, day, within, step)
    if json:
        show_json(asdict(found) | {"on": day.isoformat(), "within_days": within})
    else:
        tell(found, day.isoformat(), within, None if every else SHOWN)
    if found.problems:
        raise typer.Exit(int(Exit.PERSON))


def tell(found: Portfolio, day: str, within: int, most: int | None = SHOWN) -> None:
    """Print every section, at most `most` rows of each."""
    total = found.total
    say(f"{total['jobs']} jobs, {total['readings']} readings, {found.files} files, "
        f"{found.bytes / 1e6:.0f} MB")  # fmt: skip
    if total["planned"]:
        say(f"{total['percent']} % accepted or waived: {total['planned']} planned tests = "
            + " + ".join(f"{total[key]} {word}" for key, word in STATES.items())
            + f" + {_open(total)} still to measure")  # fmt: skip
        say(f"{total['links_ready']} of {total['links_planned']} links are ready.")
    for section, (title, columns, empty) in PRINTED.items():
        rows = getattr(found, section)
        if section == "instruments":
            rows = [row for row in rows if row["state"] != "fine" or row["used_after_due"]]
        elif section == "cords":
            rows = [row for row in rows if row["wearing"]]
        say()
        _section(title.format(day=day, within=within), rows, columns, empty, most)
    for note in found.notes:
        say(f"\nNot counted: {note}" if note is found.notes[0] else f"Not counted: {note}")
    for problem in found.problems:
        say(f"{problem.file}: {problem.why}; left out. To do: {problem.remedy}.")


STATES = {
    "accepted": "accepted", "waived": "waived", "failed": "failed", "doubtful": "doubtful",
    "no_limit": "without limit", "blocked": "blocked",
}  # fmt: skip
"""Column of the completion to its word; with what is missing they add up to the planned tests."""


def _open(total: Mapping[str, Any]) -> int:
    return int(total["planned"]) - sum(int(total[key]) for key in STATES)


Columns = Sequence[tuple[str, str]]

PRINTED: Mapping[str, tuple[str, Columns, str]] = {
    "jobs": (
        "Jobs, least complete first",
        [("name", "job"), ("percent", "%"), ("planned", "tests"), ("measured", "measured"),
         ("failed", "failed"), ("doubtful", "doubtful"), ("links_ready", "links ready"),
         ("links_planned", "of"), ("readings", "readings"), ("last_at", "last reading (UTC)")],
        "none",
    ),
    "failures": (
        "Failing results that stand now, by what was tested",
        [("kind", "kind"), ("fibre_type", "fibre"), ("wavelength_nm", "nm"),
         ("results", "results"), ("failing", "failing"), ("failing_percent", "%"),
         ("worst_margin_db", "worst margin dB")],
        "nothing is graded yet",
    ),
    "causes": (
        "What is found on failing links and runs, and elsewhere",
        [("code", "code"), ("severity", ""), ("failing_links", "failing links with it"),
         ("findings", "findings"), ("jobs", "jobs")],
        "no findings",
    ),
    "crews": (
        "Crews; failing counts every result over its limit, also where a retest passed",
        [("crew", "people"), ("jobs", "jobs"), ("days", "days"), ("runs", "runs"),
         ("results", "results"), ("failing", "failing"), ("failing_percent", "%"),
         ("run_findings", "findings on runs")],
        "no runs",
    ),
    "instruments": (
        "Instruments: calibration ended, due within {within} days of {day}, or not known",
        [("serial", "serial"), ("kind", "kind"), ("name", "name"), ("due", "due"),
         ("state", "state"), ("days_left", "days left"), ("used_after_due", "used after due"),
         ("last_used", "last used"), ("jobs", "jobs"), ("readings", "readings")],
        "none is due",
    ),
    "cords": (
        "Test cords that show wear",
        [("cords", "cords"), ("cord_grade", "grade"), ("wear_findings", "findings of wear"),
         ("reference_db_per_month", "reference dB a month"), ("results", "results"),
         ("runs", "runs"), ("jobs", "jobs"), ("last_used", "last used")],
        "none",
    ),
}  # fmt: skip
"""Section to its title, columns and what it says when it is empty."""


def _section(
    title: str, rows: list[dict[str, Any]], columns: Columns, empty: str, most: int | None
) -> None:
    show_table(rows[:most], columns, title=title, empty=empty)
    if most is not None and len(rows) > most:
        say(f"  … and {len(rows) - most} more: --all")
