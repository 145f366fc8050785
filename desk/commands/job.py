"""`new`: the job's folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from desk.terminal import Json, say, show_json


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("new")(new)


def new(
    folder: Annotated[Path, typer.Argument(metavar="JOB", help="A folder that is not there yet.")],
    name: Annotated[str, typer.Option(help="The job's name; else the folder's.")] = "",
    customer: Annotated[str, typer.Option(help="Who the record is for.")] = "",
    site: Annotated[str, typer.Option(help="Where the links are.")] = "",
    timezone: Annotated[
        str, typer.Option(help="Zone of the meters' clocks, for instance Europe/Vienna.")
    ] = "UTC",
    limit: Annotated[
        list[str] | None,
        typer.Option(help="A limit to grade against; may be given again. See 'limits list'."),
    ] = None,
    decision_rule: Annotated[
        str, typer.Option(help="simple, or guarded where agreed before measuring (ILAC-G8).")
    ] = "simple",
    json: Json = False,
) -> None:
    """Make a job's folder with a commented job.toml.

    Next: load the plan (plan load FILE), take dumps in (take FILE…, or watch), look at status.
    """
    from ingest.job import Job
    from ingest.jobtemplate import Beginning

    Job.create(
        folder,
        Beginning(
            name=name or folder.resolve().name,
            customer=customer,
            site=site,
            timezone=timezone,
            limits=tuple(limit or ()),
            decision_rule=decision_rule,
        ),
    )
    if json:
        show_json({"job": str(folder)})
        return
    say(f"Made the job {folder}. Its settings are in {folder / 'job.toml'}; read them once.")
    if not limit:
        say("No limit is set yet: 'glasstally limits list', then write names into limits = [].")
    say(f"Next: glasstally --job {folder} plan load PLAN.csv")
