"""The `glasstally` command: options before the command, and the areas that register commands."""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from desk.terminal import CHOICES, guarded

AREAS = (
    "job", "plan", "pairing", "intake", "runs", "profiles", "board", "questions", "decisions",
    "findings", "limits", "handover", "page", "care", "portfolio", "evaluate", "demo",
)  # fmt: skip
"""Modules under desk.commands, in the order in which `--help` lists their commands."""

app = typer.Typer(
    name="glasstally",
    help=(
        "From power-meter dumps to a test record that stands: takes the dumps in, pairs readings "
        "with planned links and references, grades, and says what to do next.\n\n"
        "Invisible laser light can injure eyes: never look into a fibre or connector. Bare fibre "
        "ends are glass shards. Follow local codes and leave the work to trained people."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        from rules.version import __version__

        typer.echo(f"glasstally {__version__}")
        raise typer.Exit


@app.callback()
def options(
    job: Annotated[
        Path | None,
        typer.Option(help="The job's folder (else GLASSTALLY_JOB, else this folder or above)."),
    ] = None,
    colour: Annotated[
        bool | None, typer.Option("--colour/--no-colour", help="Force colour on or off.")
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Keep the options that stand before the command."""
    CHOICES.job = job
    wish = os.environ.get("GLASSTALLY_COLOUR", "").lower()
    CHOICES.colour = colour if colour is not None else {"yes": True, "no": False}.get(wish)


def build() -> typer.Typer:
    """Register every area's commands and return the whole command."""
    if not app.registered_commands and not app.registered_groups:
        for area in AREAS:
            importlib.import_module(f"desk.commands.{area}").register(app)
    return app


def run() -> None:
    """Run the command line and end the process with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a label in another script must not end a command on an old Windows console
            stream.reconfigure(errors="replace")
    sys.exit(guarded(lambda: build()(standalone_mode=True)))


if __name__ == "__main__":
    run()
