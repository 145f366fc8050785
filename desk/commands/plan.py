"""`plan load` and `plan show`: the links to be tested, revision by revision."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desk.terminal import Json, open_job, say, show_json, show_table

if TYPE_CHECKING:
    from ingest.planload import PlanChange

MOST_SHOWN = 10
"""Links named of each kind of change; the rest are counted."""


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    plan = typer.Typer(help="The planned links: load a sheet, show what is planned.")
    plan.command("load")(load)
    plan.command("show")(show)
    app.add_typer(plan, name="plan")


def load(
    file: Annotated[Path, typer.Argument(help="The plan: CSV, xlsx, xls or ods.")],
    by: Annotated[str, typer.Option("--by", help="Who loads it; for the journal.")] = "",
    json: Json = False,
) -> None:
    """Load a plan sheet as the job's next revision and show what changed.

    Only link_id, fibre_type and what the kind needs are required. Headers are matched loosely. If a
    row is wrong, it is named by row and column and nothing is changed. Readings always stay.
    Labels that crews may confuse are noted, with what to do against it.
    """
    from ingest import planload
    from ingest.derive import derive

    job = open_job()
    change = planload.load(job, file, by)
    derive(job)
    if json:
        show_json(
            {
                "revision": change.revision,
                "links": change.links,
                "added": change.added,
                "changed": [{"link_id": link, "columns": what} for link, what in change.changed],
                "removed": change.removed,
                "notes": change.notes,
            }
        )
        return
    _tell(change)


def _tell(change: PlanChange) -> None:
    say(
        f"Plan revision {change.revision}: {change.links} links; {len(change.added)} added, "
        f"{len(change.changed)} changed, {len(change.removed)} removed."
    )
    if change.revision > 1:
        _list("added", list(change.added))
        _list("changed", [f"{link} ({what})" for link, what in change.changed])
        _list("removed", list(change.removed))
    for note in change.notes:
        say(f"  note: {note}")


def _list(what: str, items: list[str]) -> None:
    for item in items[:MOST_SHOWN]:
        say(f"  {what}: {item}")
    if len(items) > MOST_SHOWN:
        say(f"  … and {len(items) - MOST_SHOWN} more {what}")


def show(json: Json = False) -> None:
    """Show the plan's newest revision: links per cable, and how many tests each needs."""
    from ingest import views

    overview = views.plan(open_job())
    if json:
        show_json(overview)
        return
    say(
        f"Plan revision {overview['revision']}: {overview['links']} links, "
        f"{overview['planned']} planned tests."
    )
    show_table(
        overview["cables"],
        [("cable", "cable"), ("fibre_type", "fibre"), ("links", "links"), ("planned", "tests"),
         ("a_panels", "A end"), ("b_panels", "B end")],
    )  # fmt: skip
