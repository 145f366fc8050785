"""`status`, `retests`, `export`: how far the job is, what to do next, tables for other tools."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desk.terminal import Exit, Json, open_job, say, show_json, show_table

if TYPE_CHECKING:
    from ingest.job import Job

BAR = 24
"""Characters of a completion bar."""


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("status")(status)
    app.command("retests")(retests)
    app.command("export")(export)


def status(
    link: Annotated[str, typer.Option(help="Everything about one link instead.")] = "",
    scope: Annotated[
        str, typer.Option(help="job, building, floor, area, cable or panel; empty: the first two.")
    ] = "",
    json: Json = False,
) -> None:
    """Show completion, failures and what waits for a decision.

    Exit code 1 when something needs a person: an open question, a failure, a held dump.
    """
    from ingest import views
    from ingest.errors import BadInput
    from rules.codes import SCOPES

    if scope and scope not in SCOPES:
        raise BadInput(f"No scope '{scope}'; there are: {', '.join(SCOPES)}.")
    job = open_job()
    if link:
        from desk import linkfacts, linkpairs

        found = views.link(job, link)
        found |= {"pairing": linkpairs.of(job, found)}
        _link(found | linkfacts.of(found, job.settings), json)
        return
    board = views.status(job)
    if json:
        show_json(board)
    else:
        tell_board(board, (scope,) if scope else ("job", "building"))
    if needs_person(board):
        raise typer.Exit(int(Exit.PERSON))


def needs_person(board: Mapping[str, Any]) -> bool:
    """Tell whether anything on the board waits for a person."""
    whole = [row for row in board["completion"] if row["scope"] == "job"]
    failed = any(row["failed"] or row["doubtful"] for row in whole)
    held = any(board["dumps"].get(state) for state in ("held", "failed"))
    return bool(board["questions"] or failed or held)


def tell_board(board: Mapping[str, Any], scopes: tuple[str, ...]) -> None:
    """Print the board: completion by scope, the balance, and what waits."""
    say(f"{board['name']}: plan revision {board['revision']}, {board['links']} links, "
        f"{board['planned']} planned tests")  # fmt: skip
    say()
    rows = [row for row in board["completion"] if row["scope"] in scopes]
    for row in rows:
        row["bar"] = bar(row)
        row["ready"] = f"{row['links_ready']} of {row['links_planned']}"
    show_table(
        rows,
        [("name", "where"), ("bar", "accepted"), ("percent", "%"), ("planned", "tests"),
         ("measured", "measured"), ("failed", "failed"), ("doubtful", "doubtful"),
         ("no_limit", "no limit"), ("blocked", "blocked"), ("waived", "waived"),
         ("ready", "links ready")],
        empty="no plan is loaded yet: plan load FILE",
    )  # fmt: skip
    say()
    tell_balance(board["balance"])
    states = ", ".join(f"{n} {state}" for state, n in sorted(board["dumps"].items()) if n)
    say(f"Dumps: {states or 'none yet'}.")
    open_findings = ", ".join(f"{n} {word}" for word, n in board["findings"].items() if n)
    say(f"Findings: {open_findings or 'none'}. Open questions: {board['questions']}.")
    say(f"To measure (again) before leaving: {board['retests']} tests; see 'glasstally retests'.")
    if board["questions"]:
        say("Next: 'glasstally questions', one answer per cause.")


def bar(row: Mapping[str, Any]) -> str:
    """Draw accepted (=), failed (x) and doubtful (?) tests as shares of the planned ones."""
    planned = max(row["planned"], 1)
    cells = ""
    for sign, count in (("=", row["accepted"] + row["waived"]), ("x", row["failed"]),
                        ("?", row["doubtful"])):  # fmt: skip
        # at least one cell for anything that is there, so that a single failure stays visible
        cells += sign * max(int(BAR * count / planned), 1 if count and sign != "=" else 0)
    return "[" + cells[:BAR].ljust(BAR, ".") + "]"


def tell_balance(heaps: Mapping[str, int]) -> None:
    """Print the intake balance as a sum that closes."""
    names = (
        ("paired", "paired"), ("question", "in questions"), ("outside_plan", "outside the plan"),
        ("duplicate", "duplicates"), ("reference", "references"), ("left_out", "left out"),
        ("refused", "refused"),
    )  # fmt: skip
    parts = " + ".join(f"{heaps[key]} {word}" for key, word in names)
    say(f"Readings: {heaps['read']} read = {parts}")


def _link(link: Mapping[str, Any], as_json: bool) -> None:
    from desk import linkfacts, linkpairs

    if as_json:
        show_json(link)
        return
    plan = link["plan"]
    say(f"{plan['link_id']}: {plan['a_end']} to {plan['b_end']}, {plan['fibre_type']}, "
        f"{plan['length_m'] or '?'} m, {plan['connections'] or '?'} connections, "
        f"{plan['splices'] or 0} splices")  # fmt: skip
    show_table(
        link["tests"],
        [("wavelength_nm", "nm"), ("direction", "direction"), ("state", "state"), ("why", "why")],
        title="\nPlanned tests",
    )
    show_table(
        link["grades"],
        [("wavelength_nm", "nm"), ("direction", "direction"), ("loss_db", "loss dB"),
         ("limit_db", "limit dB"), ("margin_db", "margin dB"), ("uncertainty_db", "U dB"),
         ("grade", "grade"), ("limit_name", "limit"), ("limit_confirmed", "confirmed")],
        title="\nGrades",
    )  # fmt: skip
    show_table(
        link["readings"],
        [("dump_name", "dump"), ("line", "line"), ("label", "label as typed"),
         ("wavelength_nm", "nm"), ("direction", "direction"), ("loss_db", "loss dB"),
         ("power_dbm", "power dBm"), ("taken_at", "taken"), ("meter_serial", "meter")],
        title="\nReadings",
    )  # fmt: skip
    linkpairs.tell(link["pairing"])
    for question in link["questions"]:
        if question["state"] == "open":
            say(f"\nAsked about this link: {question['question_id']}: {question['message']}")
    show_table(link["findings"], [("severity", ""), ("code", "code"), ("message", "finding")],
               title="\nFindings")  # fmt: skip
    linkfacts.tell_budgets(link["uncertainty"])
    linkfacts.tell_applications(link["applications"])


def retests(
    panel: Annotated[str, typer.Option(help="Only this panel.")] = "",
    json: Json = False,
) -> None:
    """List what to measure before leaving, by room, panel and port.

    What is missing, failed or decided; what is doubtful waits for a decision instead.
    """
    from ingest import views

    rows = views.retests(open_job(), panel)
    if json:
        show_json(rows)
        return
    tell_retests(rows)
    say("Invisible laser light: switch sources off before mating; never look into a connector.")


def tell_retests(rows: Iterable[Mapping[str, Any]], most: int | None = None) -> None:
    """Print retests as one line per port, under a heading per panel."""
    rows = list(rows)
    if not rows:
        say("Nothing is to be measured again.")
        return
    shown = 0
    for place, at_panel in groupby(rows, lambda r: (r["building"], r["floor"], r["panel"])):
        if most is not None and shown >= most:
            break
        say(" / ".join(part for part in place if part))
        for (port, link_id, far_end), tests in groupby(
            at_panel, lambda r: (r["port"], r["link_id"], r["far_end"])
        ):
            if most is not None and shown >= most:
                break
            shown += 1
            listed = list(tests)
            waves = ", ".join(f"{t['wavelength_nm']} nm {t['direction']}".strip() for t in listed)
            reasons = "; ".join(dict.fromkeys(t["why"] for t in listed))
            say(f"  port {port:>4}  {link_id:<14} to {far_end:<14} {waves}: {reasons}")
    ports = len({(r["panel"], r["port"], r["link_id"]) for r in rows})
    if shown < ports:
        say(f"  … and {ports - shown} more ports: 'glasstally retests'")


def export(
    table: Annotated[str, typer.Argument(help="readings, faults, runs, pairs, findings, "
                                              "questions, grades, completion, applications, "
                                              "job or instruments; all: every one of them; "
                                              "inputs: what 'evaluate' takes.")],
    format_: Annotated[
        str, typer.Option("--format", help="csv, json or parquet.")
    ] = "csv",
    to: Annotated[
        Path | None, typer.Option(help="A file, or a folder for all and inputs; else the terminal.")
    ] = None,
    json: Json = False,
) -> None:  # fmt: skip
    """Write a table for other tools, in canonical order; its columns are a contract.

    'export all --format parquet --to COLLECTED/JOB' makes a folder that 'portfolio' reads.
    """
    from ingest import export as tables_out

    job = open_job()
    if table in ("all", "inputs"):
        _export_folder(job, table, format_, to, json)
        return
    if json:
        format_ = "json"
    if to is not None:
        rows = tables_out.write(job, table, format_, to)  # type: ignore[arg-type]
        say(f"{rows} rows of {table} written to {to}.")
        return
    sys.stdout.buffer.write(tables_out.render(tables_out.table(job, table), format_))  # type: ignore[arg-type]
    sys.stdout.buffer.flush()


def _export_folder(job: Job, what: str, format_: str, to: Path | None, as_json: bool) -> None:
    """Write every table, or what `evaluate` takes, into a folder."""
    from ingest import export as tables_out
    from ingest import inputs
    from ingest.errors import BadInput

    if to is None:
        raise BadInput(f"'export {what}' writes many files: give a folder with --to FOLDER.")
    if what == "inputs":
        rows = {"readings": inputs.write(job, to / inputs.FOLDER)}
    else:
        rows = tables_out.write_all(job, format_, to)  # type: ignore[arg-type]
    if as_json:
        show_json({"folder": to, "rows": rows})
        return
    say(f"{to}: " + ", ".join(f"{count} {name}" for name, count in rows.items()) + ".")
