"""`take`, `watch`, `listen`, `dump`: what comes in, and what is set aside."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desk.terminal import By, Exit, Json, Why, job_folder, progress, say, show_json, show_table

if TYPE_CHECKING:
    from ingest.intake import Receipt
    from ingest.job import Job

MOST_SHOWN = 10
"""Faults and failures named one by one on a receipt; the rest are counted."""


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("take")(take)
    dump = typer.Typer(help="The dumps: list them, set one aside, bring it back.")
    dump.command("list")(list_)
    dump.command("set-aside")(set_aside)
    dump.command("bring-back")(bring_back)
    app.add_typer(dump, name="dump")


def _job() -> Job:
    from ingest import logs
    from ingest.job import Job

    job = Job.open(job_folder())
    logs.start(job.folder)
    return job


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

    job = _job()
    with progress("taking in", quiet=json) as step:
        receipts = intake.take(job, files, step, by)
    if json:
        show_json(
            [asdict(receipt) | {"needs_person": receipt.needs_person} for receipt in receipts]
        )
    else:
        for receipt in receipts:
            tell(receipt)
        _todo(receipts)
    if any(receipt.needs_person for receipt in receipts):
        raise SystemExit(Exit.PERSON)


def tell(receipt: Receipt) -> None:
    """Print one receipt without the list of what to do."""
    mark = f" ({receipt.sha256[:12]})" if receipt.sha256 else ""
    if receipt.outcome in ("held", "refused"):
        say(f"{receipt.name}{mark}: {receipt.outcome}, {receipt.reason}.")
        return
    again = "arrived again, nothing added; " if receipt.outcome == "again" else ""
    say(f"{receipt.name}{mark}: {again}read by {receipt.parser}")
    say("  " + balance_line(receipt.balance))
    for fault in receipt.faults[:MOST_SHOWN]:
        place = f"line {fault['line']}" + (f":{fault['column']}" if fault["column"] else "")
        say(f"  fault, {place}: found '{fault['found']}', expected {fault['expected']}; "
            f"{fault['remedy']}")  # fmt: skip
    _more(len(receipt.faults), "faults")
    for failure in receipt.failures[:MOST_SHOWN]:
        place = f"{failure['link_id']} at {failure['wavelength_nm']} nm {failure['direction']}"
        say(f"  fails: {place}: {failure['loss_db']} dB, limit {failure['limit_db']} dB")
    _more(len(receipt.failures), "failures")
    for question in receipt.questions[:MOST_SHOWN]:
        say(f"  question {question['question_id']}: {question['message']}")
    _more(len(receipt.questions), "questions")


def balance_line(balance: dict[str, int]) -> str:
    """Write the intake balance so that one sees it close."""
    if not balance:
        return "0 readings"
    parts = [
        f"{balance[name]} {name.replace('_', ' ')}"
        for name in (
            "paired", "question", "outside_plan", "duplicate", "reference", "left_out", "refused",
        )
        if balance[name]
    ]  # fmt: skip
    return f"{balance['read']} readings = " + (" + ".join(parts) or "0")


def _more(count: int, what: str) -> None:
    if count > MOST_SHOWN:
        say(f"  … and {count - MOST_SHOWN} more {what}")


def _todo(receipts: list[Receipt]) -> None:
    todo = next((receipt.todo for receipt in receipts if receipt.todo), [])
    if todo:
        show_table(
            todo,
            [("panel", "panel"), ("port", "port"), ("link_id", "link"), ("wavelength_nm", "nm"),
             ("direction", "way"), ("why", "why"), ("what", "what to do")],
            title="Before leaving the site (the whole list: glasstally retests):",
        )  # fmt: skip


def list_(json: Json = False) -> None:
    """List every dump with its names, state and parser."""
    from ingest import views

    rows: list[dict[str, Any]] = views.dumps(_job())
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

    job = _job()
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

    job = _job()
    found = views.find_dump(job, dump)
    acts.bring_back(job, found["sha256"], why=why, by=by)
    _moved(json, found, "taken", "counts again.")


def _moved(as_json: bool, found: dict[str, Any], state: str, text: str) -> None:
    if as_json:
        show_json({"dump_sha256": found["sha256"], "state": state})
    else:
        say(f"{found['name']} ({found['sha256'][:12]}) {text}")
