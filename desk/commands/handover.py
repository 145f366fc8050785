"""`handover`: make the numbered set of documents for the customer, check it, prove it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desk.terminal import Exit, Json, open_job, progress, say, show_json

if TYPE_CHECKING:
    from desk.handover import Made, Options
    from ingest.job import Job


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("handover")(handover)


def handover(
    scope: Annotated[
        str,
        typer.Option(
            "--scope",
            metavar="KIND:NAME",
            help="A released part: cable:…, area:…, floor:BUILDING/FLOOR, building:…",
        ),
    ] = "",
    check: Annotated[
        bool, typer.Option("--check", help="Only say what the requirements still miss.")
    ] = False,
    draft: Annotated[
        bool, typer.Option("--draft", help="Mark every page as draft; requirements may be open.")
    ] = False,
    again: Annotated[
        int, typer.Option("--again", metavar="N", help="Make revision N once more, elsewhere.")
    ] = 0,
    to: Annotated[
        Path | None, typer.Option("--to", help="Where --again puts it (else beside the job).")
    ] = None,
    links: Annotated[
        str, typer.Option("--links", help="One page per link: all, failed, or LINK,LINK…")
    ] = "",
    verify: Annotated[
        Path | None, typer.Option("--verify", metavar="FOLDER", help="Prove a set; needs no job.")
    ] = None,
    requirements: Annotated[
        str,
        typer.Option(
            "--requirements", metavar="NAME|FILE",
            help="Adopt an owner's requirements profile: campus-mean, municipal-each, "
            "system-warranty, or a file.",
        ),
    ] = "",
    json: Json = False,
) -> None:  # fmt: skip
    """Make the record, the workbook and all other documents as a new numbered revision.

    An unchanged job makes no new revision. A final issue is refused while a required item of the
    job's requirements.toml is open.
    """
    if verify is not None:
        _verify(verify, json)
        return
    from desk import handover as making
    from desk import revisions

    job = open_job()
    if requirements:
        path = revisions.adopt(job, requirements)
        say(f"{path} holds what this owner demands; edit it as the contract says.")
        return
    options = making.Options(making.scope_of(scope), draft, links)
    if check:
        _check(job, options, json)
    elif again:
        _again(job, again, to, json)
    else:
        _make(job, options, json)


def _make(job: Job, options: Options, json: bool) -> None:
    from desk import handover as making

    with progress("making the handover", quiet=json) as step:
        made = making.make(job, options, step)
    if json:
        show_json(_plain(made))
        return
    if not made.new:
        say(f"Nothing has changed since revision {made.revision}.")
    for path in made.documents:
        say(str(path))
    say(f"Revision {made.revision}: {len(made.files)} files in {made.folder}")
    if made.open_items:
        say(f"{len(made.open_items)} items of the requirements are open: handover --check")


def _again(job: Job, number: int, to: Path | None, json: bool) -> None:
    from desk import remake

    with progress(f"making revision {number} again", quiet=json) as step:
        made = remake.again(job, number, to, step)
    if json:
        show_json(_plain(made.made) | {"differs": list(made.differs)})
    else:
        say(f"Revision {number}, made again: {made.made.folder}")
        same = len(made.made.files) - len(made.differs)
        say(f"{same} of {len(made.made.files)} files are the same to the byte.")
        for name in made.differs:
            say(f"  differs: {name}")
    if made.differs:
        raise SystemExit(int(Exit.DAMAGED))


def _check(job: Job, options: Options, json: bool) -> None:
    from desk import handover as making
    from desk import revisions

    items = list(making.items_of(job, options))
    if json:
        show_json([item.__dict__ for item in items])
    else:
        if not (job.folder / revisions.REQUIREMENTS).exists():
            say("This job has no requirements.toml; `handover --requirements NAME` adopts one.")
        for item in items:
            mark = "  met " if item.met else "  OPEN" if item.required else "  note"
            say(f"{mark}  {item.asked}" + (f": {item.missing}" if item.missing else ""))
        left = sum(not item.met and item.required for item in items)
        say(f"{left} of {len(items)} items hold a final issue back." if left
            else "Nothing holds a final issue back.")  # fmt: skip
    if any(not item.met and item.required for item in items):
        raise SystemExit(int(Exit.PERSON))


def _verify(folder: Path, json: bool) -> None:
    from desk import proof

    claims = proof.prove(folder)
    if json:
        show_json([claim.__dict__ for claim in claims])
    else:
        for claim in claims:
            say(f"{'  holds' if claim.holds else '  FAILS'}  {claim.what}")
            for found in claim.found:
                say(f"           {found}")
        bad = sum(not claim.holds for claim in claims)
        say(f"{bad} of {len(claims)} claims fail." if bad else "The set is as it was made.")
    if not all(claim.holds for claim in claims):
        raise SystemExit(int(Exit.DAMAGED))


def _plain(made: Made) -> dict[str, object]:
    return {
        "folder": str(made.folder),
        "revision": made.revision,
        "new": made.new,
        "files": list(made.files),
        "open": [item.__dict__ for item in made.open_items],
    }
