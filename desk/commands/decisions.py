"""`repair`, `waive`, `release`: what the supervisor and the admin decide, in writing."""

from __future__ import annotations

from typing import Annotated

import typer

from desk.terminal import By, Json, Why, open_job, say, show_json


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("repair")(repair)
    app.command("waive")(waive)
    app.command("release")(release)


def repair(
    links: Annotated[list[str], typer.Argument(metavar="LINK…", help="Links that were repaired.")],
    by: By,
    why: Why = "",
    neighbours: Annotated[
        bool,
        typer.Option("--neighbours", help="Also the links on the same route or in the same tube."),
    ] = False,
    at: Annotated[
        str, typer.Option("--at", help="When it was repaired, if not just now: 2026-03-02T14:30.")
    ] = "",
    json: Json = False,
) -> None:
    """Void all older readings of repaired links and put their tests back on the list."""
    from ingest import acts

    done = acts.repair(open_job(), links, by=by, why=why, neighbours=neighbours, at=at)
    _tell(json, done, f"{len(done)} repaired; older readings no longer count. See retests.")


def waive(
    links: Annotated[list[str], typer.Argument(metavar="LINK…", help="Links to waive.")],
    by: By,
    why: Why,
    json: Json = False,
) -> None:
    """Waive what is open on links, in writing: it stays visible in every document."""
    from ingest import acts

    done = acts.waive(open_job(), links, by=by, why=why)
    _tell(json, done, f"{len(done)} waived.")


def release(
    name: Annotated[
        str, typer.Argument(metavar="CABLE or AREA", help="A cable, area or building of the plan.")
    ],
    by: By,
    why: Why = "",
    json: Json = False,
) -> None:
    """Release a cable, an area or a building for handover."""
    from ingest import acts

    done = acts.release(open_job(), name, by=by, why=why)
    _tell(json, [done], f"{name} is released for handover.")


def _tell(as_json: bool, done: object, text: str) -> None:
    if as_json:
        show_json(done)
    else:
        say(text)
