"""Output and exit codes of every command: text for people, JSON for scripts, one place for both."""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from ingest.job import Job


class Exit(IntEnum):
    """What a command's exit code means."""

    FINE = 0
    PERSON = 1
    """Something needs a person; the README names the commands that say so."""
    USAGE = 2
    """Usage, or a bad job.toml, plan or sheet."""
    DAMAGED = 3
    NOT_NOW = 4
    """Try again: disk, lock, port, permission."""
    BUG = 70
    STOPPED = 130


@dataclass
class Choices:
    """The options that stand before the command."""

    job: Path | None = None
    colour: bool | None = None


CHOICES = Choices()

Json = Annotated[bool, typer.Option("--json", help="Print JSON for scripts instead of text.")]
By = Annotated[str, typer.Option("--by", help="Who decides; it goes into the journal.")]
Why = Annotated[str, typer.Option("--why", help="The reason, in words; it goes into the journal.")]


def job_folder() -> Path:
    """Return the job folder: --job, else GLASSTALLY_JOB, else the nearest folder with job.toml."""
    from ingest.errors import BadInput

    given = CHOICES.job or (Path(e) if (e := os.environ.get("GLASSTALLY_JOB")) else None)
    if given is not None:
        if not (given / "job.toml").is_file():
            raise BadInput(
                f"{given} is no job: it holds no job.toml. Make one with 'glasstally new {given}'."
            )
        return given
    here = Path.cwd()
    for folder in (here, *here.parents):
        if (folder / "job.toml").is_file():
            return folder
    raise BadInput(
        "No job here: neither this folder nor one above it holds a job.toml. "
        "Change into the job's folder, or name it: glasstally --job FOLDER …"
    )


def open_job() -> Job:
    """Open the job that the command is about and begin its log."""
    from ingest import logs
    from ingest.job import Job

    job = Job.open(job_folder())
    logs.start(job.folder)
    return job


def console(*, error: bool = False) -> Console:
    """Make the rich console for text output; plain when it is no terminal or colour is off."""
    from rich.console import Console

    colour = CHOICES.colour
    return Console(
        stderr=error,
        highlight=False,
        soft_wrap=True,
        emoji=False,
        markup=False,
        no_color=colour is False or None,
        force_terminal=True if colour else None,
    )


def say(text: str = "") -> None:
    """Print one line of text for people."""
    sys.stdout.write(text + "\n")


def counted(count: int, word: str) -> str:
    """Write a count with its noun: 1 fault, 2 faults."""
    return f"{count} {word}{'' if count == 1 else 's'}"


def show_json(value: object) -> None:
    """Print a value as JSON; absent numbers become null, never NaN."""
    json.dump(_plain(value), sys.stdout, ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write("\n")


def show_json_line(value: object) -> None:
    """Print a value as one line of JSON, at once: for commands that go on for hours."""
    line = json.dumps(_plain(value), ensure_ascii=False, allow_nan=False)
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _plain(value: object) -> object:
    if isinstance(value, float):
        return None if value != value else value
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set):
        return [_plain(inner) for inner in value]
    if isinstance(value, str | int | bool) or value is None:
        return value
    if hasattr(value, "item"):
        return _plain(value.item())
    return str(value)


def show_table(
    rows: Iterable[Mapping[str, Any]],
    columns: Sequence[tuple[str, str]],
    *,
    title: str = "",
    empty: str = "nothing",
) -> None:
    """Print rows as a table; `columns` are (key, heading); numbers stand right."""
    rows = list(rows)
    if title:
        say(title)
    if not rows:
        say(f"  {empty}")
        return
    cells = [[_cell(row.get(key)) for key, _ in columns] for row in rows]
    right = [all(isinstance(row.get(key), int | float) for row in rows) for key, _ in columns]
    heads = [heading for _, heading in columns]
    widths = [max(len(line[i]) for line in [heads, *cells]) for i in range(len(columns))]
    for line in [heads, *cells]:
        text = "  ".join(
            cell.rjust(width) if is_right else cell.ljust(width)
            for cell, width, is_right in zip(line, widths, right, strict=True)
        )
        say("  " + text.rstrip())


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    return str(value)


@contextmanager
def progress(what: str, *, quiet: bool = False) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on the error stream while long work goes on; call it with (done, total).

    Nothing is shown when the error stream is no terminal, so logs stay clean.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.progress import Progress

    with Progress(console=console(error=True), transient=True) as bar:
        task = bar.add_task(what, total=None)

        def step(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total or None)

        yield step


def fail(message: str, details: Iterable[str] = (), code: int = Exit.USAGE) -> NoReturn:
    """Print an error for people and end the command with `code`."""
    sys.stderr.write(f"glasstally: {message}\n")
    for line in details:
        sys.stderr.write(f"  {line}\n")
    raise SystemExit(int(code))


def guarded(command: Callable[[], object]) -> int:
    """Run the whole command line; turn every exception into one message and an exit code."""
    from ingest.errors import NotNow, Trouble, why_not

    try:
        command()
    except SystemExit as end:
        return _code(end.code)
    except KeyboardInterrupt:
        sys.stderr.write("glasstally: stopped; what was taken in is kept.\n")
        return Exit.STOPPED
    except BrokenPipeError:
        # the reader of our output went away, which is its right; keep Python's exit flush quiet
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115, PTH123
        return Exit.FINE
    except Trouble as trouble:
        return _report(trouble)
    except OSError as error:
        return _report(NotNow(f"{error.filename or 'A file'}: {why_not(error)}."))
    except Exception as error:  # noqa: BLE001 the last guard: a bug is reported, never shown raw
        return _report_bug(error)
    return Exit.FINE


def _code(code: object) -> int:
    if code is None:
        return Exit.FINE
    return code if isinstance(code, int) else Exit.USAGE


def _report(trouble: Exception) -> int:
    from ingest.errors import Damaged, NotNow, Trouble

    lines = trouble.lines if isinstance(trouble, Trouble) else (str(trouble),)
    for place, line in enumerate(lines):
        sys.stderr.write(f"{'glasstally:' if place == 0 else ' '} {line}\n")
    if isinstance(trouble, Damaged):
        return Exit.DAMAGED
    return Exit.NOT_NOW if isinstance(trouble, NotNow) else Exit.USAGE


def _report_bug(error: Exception) -> int:
    text = "".join(traceback.format_exception(error))
    where = "nowhere (no job folder at hand)"
    try:
        from ingest.logs import write_bug

        where = str(write_bug(job_folder(), text))
    except Exception:  # noqa: BLE001 nothing may hide the first error
        sys.stderr.write(text)
    sys.stderr.write(
        f"glasstally: our error: {type(error).__name__}: {error}\n"
        f"  Nothing that was taken in is lost. Details: {where}\n"
    )
    return Exit.BUG
