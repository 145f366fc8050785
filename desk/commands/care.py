"""`verify`, `rebuild`, `merge`, `backup`, `upgrade`, `doctor`: keep the job sound."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from desk.terminal import Exit, Json, open_job, progress, say, show_json


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    for command in (verify, rebuild, merge, backup, upgrade, doctor):
        app.command(command.__name__)(command)


def verify(
    head: Annotated[
        str, typer.Option(help="A head printed in a record: is what it stood for still here?")
    ] = "",
    quick: Annotated[
        bool, typer.Option("--quick", help="Do not derive every table again to compare it.")
    ] = False,
    restore: Annotated[
        bool,
        typer.Option("--restore", help="Write back journal entries that only the database holds."),
    ] = False,
    json: Json = False,
) -> None:
    """Prove that everything kept is as it was written, and that the tables follow from it.

    Names the first difference and what is still trustworthy. Exit code 3: something is damaged.
    """
    from ingest import verify as proof

    job = open_job()
    restored = proof.restore(job) if restore else []
    with progress("verifying", quiet=json) as step:
        verdict = proof.verify(job, head=head, quick=quick, progress=step)
    if json:
        show_json(asdict(verdict) | {"sound": verdict.sound, "restored": restored})
    else:
        for note in [*restored, *verdict.notes]:
            say(note)
        for problem in verdict.problems:
            say(f"{problem.place}: {problem.found}")
            say(f"  still trustworthy: {problem.holds}")
            say(f"  what to do: {problem.remedy}")
        say(f"{verdict.originals} originals and {verdict.entries} journal entries are as written"
            + (", and every table follows from them." if verdict.compared else "."))  # fmt: skip
        say(f"Head of the job: {verdict.head}")
    if not verdict.sound:
        raise SystemExit(Exit.DAMAGED)


def rebuild(
    accept: Annotated[
        bool, typer.Option("--accept", help="Accept results that differ from the present ones.")
    ] = False,
    json: Json = False,
) -> None:
    """Derive every table again from originals, plans, settings and journal.

    The new database takes the old one's place only when it is complete and equal, or accepted.
    Exit code 1: it differs and was not accepted.
    """
    from ingest.rebuild import rebuild as again

    outcome = again(open_job(), accept=accept)
    if json:
        show_json(asdict(outcome))
    else:
        for line in outcome.reasons:
            say(line)
        for line in outcome.differences:
            say(f"differs: {line}")
        if not outcome.swapped:
            say("Nothing was changed. 'glasstally rebuild --accept' takes the new results.")
        else:
            say("Derived again; " + ("the new results count." if outcome.differences
                                     else "all results are equal."))  # fmt: skip
    if not outcome.swapped:
        raise SystemExit(Exit.PERSON)


def merge(
    other: Annotated[Path, typer.Argument(metavar="OTHER_JOB", help="The other laptop's copy.")],
    another_job: Annotated[
        bool, typer.Option("--another-job", help="It is not a copy of this job; merge anyway.")
    ] = False,
    json: Json = False,
) -> None:
    """Bring another laptop's dumps and answers into this job; the other is only read.

    Merge both ways to have two equal jobs. Answers that contradict each other become a question.
    """
    from ingest.merge import merge as bring

    merged = bring(open_job(), other, another_job=another_job)
    if json:
        show_json(asdict(merged))
        return
    for note in merged.notes:
        say(note)
    say(f"{merged.entries} journal entries and {merged.originals} originals were new.")


def backup(
    to: Annotated[Path, typer.Argument(metavar="TO", help="A folder, best on another disk.")],
    json: Json = False,
) -> None:
    """Copy the whole job to another folder while it is in use."""
    from ingest.backup import backup as copy

    target = copy(open_job(), to)
    if json:
        show_json({"backup": str(target)})
    else:
        say(f"The job is copied to {target}. Check it: glasstally --job '{target}' verify")


def upgrade(json: Json = False) -> None:
    """Bring an older job to this version; a copy of its database is kept first."""
    from ingest.backup import upgrade as bring_up

    text = bring_up(open_job())
    if json:
        show_json({"upgrade": text})
    else:
        say(text)


def doctor(json: Json = False) -> None:
    """Examine the program, this laptop and the job, and say what was found."""
    from ingest.doctor import examine

    found = examine(open_job())
    if json:
        show_json([asdict(finding) for finding in found])
    else:
        marks = {"fine": "ok  ", "note": "note", "bad": "BAD "}
        for finding in found:
            say(f"{marks[finding.state]}  {finding.topic}: {finding.text}")
