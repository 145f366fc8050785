"""`limits`: the limit tables with their sources, a link's sum term by term, and confirmation."""

from __future__ import annotations

import json as json_text
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from desk.terminal import By, Json, Why, job_folder, open_job, say, show_json, show_table

if TYPE_CHECKING:
    from ingest.job import Job
    from rules.limit_sets import LimitSet

SOURCES = (
    "Values are cited from the standards named. Those that no public page showed are from memory; "
    "the person in charge compares them with their own copy of the standard and confirms."
)


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    limits = typer.Typer(help="The limits: what there is, where a value is from, who confirmed it.")
    limits.command("list")(list_)
    limits.command("show")(show)
    limits.command("confirm")(confirm)
    app.add_typer(limits, name="limits")


def list_(json: Json = False) -> None:
    """List the limit sets: the shipped ones and, inside a job, its own (folder limits/).

    Names go into `limits` of job.toml or into the plan's column `limit`.
    """
    sets, confirmed = _sets()
    rows = [_summary(one, confirmed) for one in sets.values()]
    if json:
        show_json(rows)
        return
    show_table(
        rows,
        [("name", "name"), ("edition", "edition"), ("use", "use"), ("values", "values"),
         ("unsure", "to confirm"), ("confirmed_by", "confirmed by")],
    )  # fmt: skip
    say()
    say(SOURCES)


def _summary(one: LimitSet, confirmed: Mapping[str, str]) -> dict[str, Any]:
    from rules.limit_sets import SURE

    rows = [*one.attenuation, *one.allowances]
    return {
        "name": one.name,
        "edition": one.edition,
        "use": "limit" if one.use == "limit" else "planning only",
        "own": one.own,
        "values": len(rows),
        "unsure": sum(row.confidence not in SURE for row in rows),
        "confirmed_by": confirmed.get(one.name, ""),
        "note": one.note,
    }


def show(
    name: Annotated[str, typer.Argument(help="A limit set, as `limits list` names it.")] = "",
    link: Annotated[
        str, typer.Option("--link", metavar="ID", help="A link: its limits term by term.")
    ] = "",
    json: Json = False,
) -> None:
    """Show every value of a limit set with its clause and source, or the limits of one link."""
    from ingest.errors import BadInput

    if bool(name) == bool(link):
        raise BadInput("Name a limit set, or a link with --link ID.")
    if link:
        _show_link(link, json)
        return
    sets, confirmed = _sets()
    if name not in sets:
        raise BadInput(f"No limit set '{name}'; there are: {', '.join(sorted(sets))}.")
    one = sets[name]
    values = _values(one)
    if json:
        show_json(_summary(one, confirmed) | {"digest": one.digest, "rows": values})
        return
    say(f"{one.name}: {one.edition}")
    if one.note:
        say(one.note)
    by = confirmed.get(name)
    say(f"Confirmed by {by}." if by else f"Not confirmed: 'glasstally limits confirm {name}'.")
    show_table(
        values,
        [("what", "what"), ("for", "for"), ("at", "at"), ("value", ""), ("unit", ""),
         ("clause", "clause"), ("confidence", "how sure"), ("source", "source"), ("note", "note")],
        title="",
    )  # fmt: skip


def _values(one: LimitSet) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for row in one.attenuation:
        where = "" if row.environment == "any" else f", {row.environment}"
        rows.append(
            {
                "what": "attenuation", "for": ", ".join(row.fibres) + where,
                "at": ", ".join(map(str, row.wavelengths_nm)) + " nm",
                "value": "not specified" if row.db_per_km is None else f"{row.db_per_km:.2f}",
                "unit": "" if row.db_per_km is None else "dB/km",
            }
            | _origin(row)
        )  # fmt: skip
    for item in one.allowances:
        cords = "" if item.cords == "any" else f"{item.cords}-grade cords"
        mode = "" if item.mode == "any" else item.mode
        rows.append(
            {
                "what": item.item.replace("-", " "), "for": ", ".join(filter(None, (mode, cords))),
                "at": "", "value": f"{item.db:.2f}", "unit": "dB",
            }
            | _origin(item)
        )  # fmt: skip
    return rows


def _origin(row: Any) -> dict[str, str]:
    return {k: getattr(row, k) for k in ("clause", "confidence", "source", "note")}


def _show_link(link_id: str, as_json: bool) -> None:
    from desk import linkfacts
    from ingest import views

    job = open_job()
    found = views.link(job, link_id)
    plan, rows = found["plan"], [_spelled(row) for row in found["limits"]]
    budgets = linkfacts.budgets(found["grades"], job.settings)
    if as_json:
        rule = job.settings.deduction_rule
        show_json({"link_id": link_id, "deduction_rule": rule, "limits": rows,
                   "uncertainty": budgets})  # fmt: skip
        return
    say(f"{link_id}: {plan['fibre_type']}, {_or(plan['length_m'])} m, "
        f"{_or(plan['connections'])} connections, {_or(plan['splices'], '0')} splices")  # fmt: skip
    for row in rows:
        _tell_limit(row)
    say(f"\nDeduction rule: {job.settings.deduction_rule} "
        "(what is taken off for test cords that the reference contained).")  # fmt: skip
    linkfacts.tell_budgets(budgets)


def _or(value: Any, absent: str = "?") -> str:
    return absent if value is None or value != value else f"{value:g}"


def _spelled(row: Mapping[str, Any]) -> dict[str, Any]:
    terms = row["terms"]
    return dict(row) | {
        "terms": json_text.loads(terms or "[]") if isinstance(terms, str) else terms
    }


def _tell_limit(row: Mapping[str, Any]) -> None:
    cords = {1: "one test cord", 2: "two test cords", 3: "three test cords"}
    method = cords.get(row["reference_method"], "reference method unknown")
    grade = f"{row['cord_grade']}-grade cords" if row["cord_grade"] else "cord grade unknown"
    say(f"\n{row['wavelength_nm']} nm, {method}, {grade}: {row['limit_name'] or 'no limit'}")
    if row["why_not"]:
        say(f"  No limit: {row['why_not']}.")
        return
    units = {"fibre": "km x", "budget": "x"}
    for term in row["terms"]:
        unit = units.get(term["term"], "x")
        sum_ = f"{term['count']:g} {unit} {term['each_db']:.2f}"
        say(f"  {term['term']:<18}{sum_:>20} = {term['db']:>7.3f} dB   "
            f"{term['clause']} ({term['confidence']})")  # fmt: skip
    for key, text in (("limit_db", "limit"), ("min_db", "least loss")):
        if row[key] is not None and row[key] == row[key]:
            say(f"  {text:<18}{'':>20} = {row[key]:>7.3f} dB   "
                f"{'confirmed' if row['limit_confirmed'] else 'not confirmed'}")  # fmt: skip
    for key, text in (("min_dbm", "least power"), ("max_dbm", "most power")):
        if row[key] is not None and row[key] == row[key]:
            say(f"  {text:<18}{'':>20} = {row[key]:>7.2f} dBm  {row['clause']}")


def confirm(
    name: Annotated[str, typer.Argument(help="A limit set, as `limits list` names it.")],
    by: By,
    why: Why = "",
    json: Json = False,
) -> None:
    """Confirm the present values of a limit set against your own copy of the standard.

    The confirmation goes into the journal and holds for exactly these values: if one changes, it
    is asked for again. A final handover needs it; a draft does not.
    """
    from ingest import acts

    act_id = acts.confirm_limit(open_job(), name, why=why, by=by)
    if json:
        show_json({"act_id": act_id, "name": name, "by": by})
        return
    say(f"{name} is confirmed by {by}.")


def _sets() -> tuple[dict[str, LimitSet], dict[str, str]]:
    """Return every set known here, and who confirmed the present values of which."""
    from ingest.errors import BadInput
    from ingest.job import Job
    from rules import limit_sets

    try:
        folder = job_folder()
    except BadInput:
        return limit_sets.load(), {}
    return _of_job(Job.open(folder))


def _of_job(job: Job) -> tuple[dict[str, LimitSet], dict[str, str]]:
    from ingest import store
    from ingest.decisions import decisions
    from ingest.derive import own_limits
    from rules.limits import confirmed_names

    sets = own_limits(job)
    with store.reader(job.store) as connection:
        acts = decisions(connection).acts
    names = confirmed_names(acts, sets)
    by = dict(acts.loc[acts["kind"] == "confirm-limit", ["subject", "who"]].to_numpy())
    return sets, {name: by[name] for name in names}
