"""`page`: the job in a browser on this laptop."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from desk.terminal import job_folder, say


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("page")(page)


def page(
    port: Annotated[int, typer.Option(min=0, max=65535, help="0: any that is free.")] = 0,
    share: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Serve on this address of this laptop too: whoever knows the token comes in.",
        ),
    ] = "",
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address, open nothing.")
    ] = False,
) -> None:
    """Serve the job's page: board, panels, questions, intake, decisions, handover.

    Only this laptop can reach it unless --share names an address. What travels over a shared
    address is not encrypted: use a network that you trust. Ctrl-C stops it.
    """
    from desk.page import serve

    folder = job_folder()
    with serve.listening(folder, port=port, share=share) as desk:
        say(f"The page of {desk.name}: {desk.address}")
        if share:
            say(f"Token for those who come in over the network: {desk.secret}")
            say("It is shown only here. Everybody gives a name; it stands beside their answers.")
        say("Ctrl-C stops it.")
        sys.stdout.flush()
        if not (no_browser or share):
            import webbrowser

            webbrowser.open(desk.address)
        desk.run()
