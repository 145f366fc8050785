"""`evaluate`: many jobs as independent partitions, on this machine or on a cluster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from desk.terminal import Exit, Json, progress, say, show_json

if TYPE_CHECKING:
    from desk.cluster import Outcome
    from ingest.partition import Partition


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("evaluate")(evaluate)


def evaluate(
    jobs: Annotated[
        list[Path],
        typer.Argument(metavar="JOB…", help="Jobs' folders, or folders with exported inputs."),
    ],
    to: Annotated[
        Path | None,
        typer.Option("--out", help="Where each job gets a folder; else beside its inputs."),
    ] = None,
    on: Annotated[
        str, typer.Option("--on", metavar="dask://HOST:PORT", help="A cluster; else this machine.")
    ] = "",
    json: Json = False,
) -> None:
    """Evaluate jobs as independent partitions: Parquet in, Parquet out, for 'portfolio' to read.

    A job's folder is exported first and otherwise left as it is. The result is the same wherever
    it runs; a cluster's workers must see the folders under the same paths. Exit code 1: a job could
    not be evaluated; it is named, and the others are done.
    """
    from desk import cluster

    run = cluster.on(on) if on else cluster.here
    with progress("exporting", quiet=json) as step:
        work, done = _prepared(jobs, to, step)
    with progress("evaluating", quiet=json) as step:
        for outcome in run(work):
            done.append(outcome)
            step(len(done), len(jobs))
    done.sort(key=lambda one: one.folder)
    failed = [one for one in done if one.why]
    if json:
        show_json([asdict(one) for one in done])
    else:
        for one in done:
            what = one.why or f"{one.readings} readings in {one.seconds:.1f} s"
            say(f"{one.folder}: {what}")
        say(f"{len(done) - len(failed)} of {len(done)} jobs evaluated.")
    if failed:
        raise typer.Exit(int(Exit.PERSON))


def _prepared(
    jobs: Sequence[Path], to: Path | None, step: Callable[[int, int], None]
) -> tuple[list[Partition], list[Outcome]]:
    """Export the inputs of each job that is no export yet; give the largest first.

    The largest first keeps the last workers from waiting long (Graham 1969, list scheduling by
    longest time). What cannot be exported is an outcome already.
    """
    from desk.cluster import Outcome
    from ingest import inputs
    from ingest.errors import BadInput, Trouble
    from ingest.job import Job
    from ingest.partition import Partition

    places = {job: _place(job, to) for job in jobs}
    twice = [str(job) for job, place in places.items() if [*places.values()].count(place) > 1]
    if twice:
        raise BadInput("These jobs would be written into one folder:", *twice)
    work, failed = [], []
    for number, (job, place) in enumerate(places.items()):
        step(number, len(places))
        try:
            source = _inputs_of(job)
            if source is None:
                source = place / inputs.FOLDER
                inputs.write(Job.open(job), source)
            readings = int(inputs.about(source)["readings"])
        except Trouble as trouble:
            failed.append(Outcome(str(place), why=str(trouble)))
            continue
        work.append(Partition(str(source.resolve()), str(place.resolve()), readings))
    return sorted(work, key=lambda one: -one.readings), failed


def _inputs_of(job: Path) -> Path | None:
    """Return the exported inputs that a folder holds or is; none for a job's own folder."""
    from ingest import inputs

    for place in (job, job / inputs.FOLDER):
        if (place / inputs.LAST).is_file():
            return place
    return None


def _place(job: Path, to: Path | None) -> Path:
    """Return where the tables of a job go; raise BadInput for what is no job."""
    from ingest.errors import BadInput

    source = _inputs_of(job)
    if source is None and not (job / "job.toml").is_file():
        raise BadInput(
            f"{job} is no job: it holds neither job.toml nor exported inputs. Export them: "
            "glasstally --job JOB export inputs --to FOLDER"
        )
    if to is not None:
        folder = job if source is None or source != job else job.parent
        return to / folder.resolve().name
    if source is None:
        raise BadInput(f"{job} is a job's own folder: say with --out where its tables go.")
    return source.parent
