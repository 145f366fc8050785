"""`take`, `watch`, `listen`, `dump`: what comes in, and what is set aside."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from desk import receipt as receipts_out
from desk.commands import watching
from desk.terminal import By, Exit, Json, Why, open_job, progress, say, show_json, show_table


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("take")(take)
    app.command("watch")(watching.watch)
    app.command("listen")(watching.listen)
    dump = typer.Typer(help="The dumps: list them, set one aside, bring it back.")
    dump.command("list")(list_)
    dump.command("set-aside")(set_aside)
    dump.command("bring-back")(bring_back)
    app.add_typer(dump, name="dump")


def take(
    files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="Dumps of any meter.")],
    by: Annotated[str, typer.Option("--by", help="Who brings them; for the journal.")] = "",
    json: Json = False,
) -> None:
    """Take dumps in now and print a receipt for each.

    The files stay where they are; their bytes are kept in the job. The same file again adds
    nothing. Exit code 1: something needs a person before the crew leaves.
    """
    from ingest import intake

    job = open_job()
    with progress("taking in", quiet=json) as step:
        receipts = intake.take(job, files, step, by)
    if json:
        show_json(
            [asdict(receipt) | {"needs_person": receipt.needs_person} for receipt in receipts]
        )
    else:
        for receipt in receipts:
            receipts_out.tell(receipt)
        receipts_out.todo(receipts)
    if any(receipt.needs_person for receipt in receipts):
        raise SystemExit(Exit.PERSON)


def list_(json: Json = False) -> None:
    """List every dump with its names, state and parser."""
    from ingest import views

    rows: list[dict[str, Any]] = views.dumps(open_job())
    if json:
        show_json(rows)
        return
    for row in rows:
        row["dump"] = row["sha256"][:12]
        row["names"] = ", ".join(row["names"])
    show_table(
        rows,
        [("dump", "dump"), ("names", "names"), ("arrived_at", "arrived"), ("state", "state"),
         ("readings", "readings"), ("parser", "parser"), ("reason", "why")],
    )  # fmt: skip


def set_aside(
    dump: Annotated[str, typer.Argument(help="Its name, or the first digits of its hash.")],
    why: Why,
    by: By = "",
    json: Json = False,
) -> None:
    """Take a dump out of all results (brought by mistake, wrong job); its bytes stay."""
    from ingest import acts, views

    job = open_job()
    found = views.find_dump(job, dump)
    acts.set_aside(job, found["sha256"], why=why, by=by)
    _moved(json, found, "set-aside", "is set aside; 'glasstally dump bring-back' returns it.")


def bring_back(
    dump: Annotated[str, typer.Argument(help="Its name, or the first digits of its hash.")],
    why: Why = "",
    by: By = "",
    json: Json = False,
) -> None:
    """Return a dump that was set aside to the results."""
    from ingest import acts, views

    job = open_job()
    found = views.find_dump(job, dump)
    acts.bring_back(job, found["sha256"], why=why, by=by)
    _moved(json, found, "taken", "counts again.")


def _moved(as_json: bool, found: dict[str, Any], state: str, text: str) -> None:
    if as_json:
        show_json({"dump_sha256": found["sha256"], "state": state})
    else:
        say(f"{found['name']} ({found['sha256'][:12]}) {text}")
