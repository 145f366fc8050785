"""`demo`: the whole path on an invented job, from empty folder to handover."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desk.terminal import Json, progress, say, show_json

if TYPE_CHECKING:
    from ingest.job import Job


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to make it; harmless if it is there.")],
    seed: Annotated[int, typer.Option(help="Another seed, another invented job.")] = 1,
    json: Json = False,
) -> None:
    """Make an invented job, take its dumps in, and print board, retests and first handover.

    Companies, people, instruments and readings are invented; what is true of every reading stands
    in FOLDER/made/truth.json. A second call changes nothing and shows the same.
    """
    from desk.commands.board import tell_board, tell_retests
    from ingest import views
    from ingest.job import Job

    new = not (folder / "job" / "job.toml").is_file()
    if new:
        _make(folder, seed, quiet=json)
    job = Job.open(folder / "job")
    documents = _handover(job, quiet=json)
    board, todo = views.status(job), views.retests(job)
    if json:
        show_json({"job": str(job.folder), "status": board, "handover": documents})
        return
    tell_board(board, ("job", "building", "area"))
    say("\nWaiting for an answer")
    for question in views.questions(job, "open"):
        say(f"  {question['message']}")
    say("\nTo measure before leaving (the first ports)")
    tell_retests(todo, most=10)
    say("\nHandover")
    for path in documents:
        say(f"  {path}")
    say(f"\nLook around: glasstally --job {job.folder} status")


def _make(folder: Path, seed: int, quiet: bool) -> None:
    """Make the papers, the job's folder and take everything in."""
    from desk.demo import make
    from desk.demo.begin import new_job
    from ingest import intake

    made = make(folder / "made", seed)
    job = new_job(folder / "job", made)
    with progress("taking the dumps in", quiet=quiet) as step:
        intake.take(job, made.dumps, step)


def _handover(job: Job, quiet: bool) -> list[str]:
    """Write the first handover as a draft and return the paths of its documents."""
    from desk import handover

    with progress("writing the handover", quiet=quiet) as step:
        made = handover.make(job, handover.Options(draft=True), step)
    return [str(path) for path in made.documents]
