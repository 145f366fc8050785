"""`runs`: what the crew's paper says of each run, and what the readings say."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from desk.terminal import By, Json, open_job, say, show_json, show_table

SET = typer.Argument(
    metavar="COLUMN=VALUE …",
    help="meter=M-21 source=S-21 people='Iva Kern, Jon Pell' meter_end=b cord_grade=reference "
    "reference_method=1 ref_850=-19.82 closing_850=0.03 dump=FILE first_slot=1 last_slot=48 "
    "start='2026-03-02 08:10' …",
)


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    runs = typer.Typer(help="Run sheets: who tested, with what, from which end, which reference.")
    runs.command("add")(add)
    runs.command("edit")(edit)
    runs.command("load")(load)
    runs.command("show")(show)
    app.add_typer(runs, name="runs")


def add(
    sheet: Annotated[str, typer.Argument(help="A name for the sheet, as on the paper.")],
    values: Annotated[list[str], SET],
    by: By = "",
    json: Json = False,
) -> None:
    """Write down one run sheet; it may come before or after its dump.

    It applies to the readings of its meter inside whatever it gives of dump, slots and times.
    """
    from ingest import sheets

    job = open_job()
    _done([sheets.add(job, {"sheet": sheet} | _values(values), by)], json)


def edit(
    sheet: Annotated[str, typer.Argument(help="The sheet's name, as `runs show` lists it.")],
    values: Annotated[list[str], SET],
    by: By = "",
    json: Json = False,
) -> None:
    """Change columns of a run sheet; `column=` clears one. The old text stays in the journal."""
    from ingest import sheets

    job = open_job()
    _done([sheets.edit(job, sheet, _values(values), by)], json)


def load(
    file: Annotated[Path, typer.Argument(help="A table of run sheets: CSV, xlsx, xls or ods.")],
    by: By = "",
    json: Json = False,
) -> None:
    """Load run sheets from a table, one row each; a wrong row is named and nothing is changed."""
    from ingest import sheets

    _done(sheets.load(open_job(), file, by), json)


def _values(given: Sequence[str]) -> dict[str, str]:
    """Read COLUMN=VALUE pairs; raise BadInput where one is none."""
    from ingest.errors import BadInput

    wrong = [text for text in given if "=" not in text]
    if wrong:
        raise BadInput(*(f"'{text}' is no COLUMN=VALUE, such as meter_end=b." for text in wrong))
    return {name.strip(): value for name, value in (text.split("=", 1) for text in given)}


def _done(names: list[str], as_json: bool) -> None:
    from ingest.derive import derive

    derive(open_job())
    if as_json:
        show_json({"sheets": names})
        return
    say(f"{len(names)} run sheet{'s' * (len(names) != 1)} written down: {', '.join(names)}.")


def show(
    run: Annotated[str, typer.Argument(help="A run or a sheet; none: all runs.")] = "",
    json: Json = False,
) -> None:
    """Show runs as the readings and the paper make them, and sheets that no reading has met.

    `assumed` names what came from the job's defaults and not from any paper.
    """
    from ingest import sheets, views

    job = open_job()
    runs, papers = views.runs(job), sheets.show(job)
    if run:
        _one(run, runs, papers, json)
        return
    used = {row["sheet_id"] for row in runs}
    waiting = [paper for paper in papers if paper["sheet"] not in used]
    runs.sort(key=lambda row: (row["meter_serial"], row["started_at"], row["run_id"]))
    if json:
        show_json({"runs": runs, "sheets": papers})
        return
    show_table(
        runs,
        [("run_id", "run"), ("meter_serial", "meter"), ("started_at", "from"),
         ("ended_at", "to"), ("readings", "readings"), ("people", "people"),
         ("meter_end", "meter at"), ("reference_method", "cords"), ("cord_grade", "grade"),
         ("assumed", "assumed"), ("sheet_id", "sheet")],
        empty="no readings yet",
    )  # fmt: skip
    for paper in waiting:
        say(f"Run sheet {paper['sheet']} (meter {paper.get('meter', '')}) meets no reading.")


def _one(
    name: str, runs: list[dict[str, Any]], papers: list[dict[str, Any]], as_json: bool
) -> None:
    from ingest.errors import BadInput

    mine = [row for row in runs if name in (row["run_id"], row["sheet_id"])]
    names = {name, *(row["sheet_id"] for row in mine)} - {""}
    written = [paper for paper in papers if paper["sheet"] in names]
    if not mine and not written:
        raise BadInput(f"No run and no run sheet '{name}'; 'glasstally runs show' lists them.")
    if as_json:
        show_json({"runs": mine, "sheets": written})
        return
    for row in mine:
        say(f"Run {row['run_id']}")
        for key, value in row.items():
            if key != "run_id" and value not in ("", 0):
                say(f"  {key:18} {value}")
    for paper in written:
        say(f"Run sheet {paper['sheet']}")
        for key, value in paper.items():
            if key != "sheet" and value:
                say(f"  {key:18} {value}")
