"""`handover`: make the numbered set of documents for the customer, check it, prove it."""

from __future__ import annotations

from typing import Annotated

import typer

from desk.terminal import Json, job_folder, progress, say, show_json


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("handover")(handover)


def handover(
    scope: Annotated[
        str,
        typer.Option("--scope", help="A part: cable:NAME, area:NAME, floor:NAME, building:NAME."),
    ] = "",
    draft: Annotated[
        bool, typer.Option("--draft", help="Mark every page as draft; nothing need be complete.")
    ] = False,
    json: Json = False,
) -> None:
    """Make the record, the workbook and all other documents as a new numbered revision.

    An unchanged job makes no new revision.
    """
    from desk import handover as making
    from ingest.job import Job

    job = Job.open(job_folder())
    with progress("making the handover", quiet=json) as step:
        made = making.make(job, making.Options(making.scope_of(scope), draft), step)
    if json:
        show_json(
            {"folder": str(made.folder), "revision": made.revision, "new": made.new,
             "files": list(made.files)}
        )  # fmt: skip
        return
    if not made.new:
        say(f"Nothing has changed since revision {made.revision}.")
    for path in made.documents:
        say(str(path))
    say(f"Revision {made.revision}: {len(made.files)} files in {made.folder}")
