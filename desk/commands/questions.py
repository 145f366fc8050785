"""`questions`, `answer`, `alias`, `ask-sheet`, `note`: settling what evidence alone does not."""

from __future__ import annotations

import json as json_text
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import typer

from desk import evidence
from desk.terminal import By, Json, Why, fail, open_job, say, show_json, show_table

alias = typer.Typer(
    no_args_is_help=True, help="Names learnt from answers: typed so, meant otherwise, in this job."
)


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("questions")(questions)
    app.command("answer")(answer)
    app.add_typer(alias, name="alias")
    app.command("ask-sheet")(ask_sheet)
    app.command("note")(note)


def questions(
    question_id: Annotated[
        str, typer.Argument(metavar="[ID]", help="One question in full; its id or its beginning.")
    ] = "",
    answered: Annotated[
        bool, typer.Option("--all", help="Also those that are answered already.")
    ] = False,
    json: Json = False,
) -> None:
    """List open questions, the heaviest first, or show one with all its evidence."""
    from ingest import views

    job = open_job()
    if question_id:
        row = views.question(job, question_id)
        if json:
            show_json(row)
        else:
            _tell(row)
        return
    rows = views.questions(job, "" if answered else "open")
    if json:
        show_json(rows)
        return
    if not rows:
        say("No open questions.")
        return
    for row in rows:
        mark = "" if row["state"] == "open" else "  (answered)"
        say(f"{row['question_id']}  {row['readings']} readings{mark}")
        say(f"    {row['message']}")
        say(f"    Proposed: {row['proposal']}")
    say(f"\n{len(rows)} questions. Show one: glasstally questions ID. "
        "Settle it: glasstally answer ID accept --by NAME")  # fmt: skip


def _tell(row: Mapping[str, Any]) -> None:
    say(f"{row['question_id']}: {row['readings']} readings, {row['state']}")
    say(row["message"])
    evidence.tell(row["evidence"])
    if row["options"]:
        say("\nChoices")
        for number, option in enumerate(row["options"], 1):
            sure = option.get("confidence") or 0.0
            said = f"  (right in {sure:.4f} of such cases)" if sure else ""
            say(f"  {number}. {option['label']}{said}")
    show_table(
        row["rows"],
        [("dump_name", "dump"), ("line", "line"), ("label", "label as typed"),
         ("wavelength_nm", "nm"), ("direction", "direction"), ("loss_db", "loss dB"),
         ("taken_at", "taken")],
        title="\nReadings",
    )  # fmt: skip
    say("\nSettle it: glasstally answer "
        f"{row['question_id']} accept|choose LINK|shift N|rename FROM TO|outside-plan|leave-out|"
        "ask-crew --by NAME")  # fmt: skip


def answer(
    question_id: Annotated[str, typer.Argument(metavar="ID", help="The question, or an answer.")],
    choice: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="CHOICE…",
            help="accept [NUMBER] | choose LINK | shift N | rename FROM TO | outside-plan | "
            "leave-out | accept-value | retest | ask-crew [WHOM]",
        ),
    ] = None,
    by: By = "",
    why: Why = "",
    undo: Annotated[
        bool, typer.Option("--undo", help="Take the answer with this id back.")
    ] = False,
    json: Json = False,
) -> None:
    """Settle a question; every answer is journalled and can be taken back.

    A number of ports below nothing is given after `--`: answer ID --by NAME -- shift -1
    """
    from ingest import acts, views

    if not by.strip():
        fail("An answer needs the name of who decides: --by NAME.")
    job = open_job()
    if undo:
        acts.undo(job, question_id, why, by)
        _done(json, {"undone": question_id}, f"{question_id} is taken back.")
        return
    row = views.question(job, question_id)
    made, learnt = _answer(job, row, choice or [])
    id_ = acts.answer(
        job, row["question_id"], made.action, made.reading_ids, made.link_ids, made.argument,
        why, by,
    )  # fmt: skip
    aliases = []
    if learnt:
        argument = json_text.dumps(list(learnt), ensure_ascii=False)
        aliases = [acts.answer(job, row["question_id"], "alias", (), (), argument, why, by)]
    open_ = len(views.questions(job, "open"))
    text = f"{id_}: {made.action} for {len(made.reading_ids)} readings; {open_} questions are open."
    if learnt:
        text += (f"\nLearnt: '{learnt[0]}' is read as '{learnt[1]}' in this job "
                 "(see glasstally alias list).")  # fmt: skip
    _done(json, {"answer_id": id_, "aliases": aliases, "open": open_}, text)


def _answer(job: Any, row: Mapping[str, Any], words: Sequence[str]) -> tuple[Any, tuple[str, ...]]:
    """Turn the words after the id into an answer, and what name it teaches."""
    from desk import settle
    from ingest import planload, store

    verb, *rest = words or [""]
    needs = {"choose": 1, "shift": 1, "rename": 2}
    if len(rest) != needs.get(verb, len(rest)):
        fail(f"'{verb}' takes {needs[verb]} more: {' '.join(words)}")
    if verb == "accept":
        if rest and not rest[0].isdecimal():
            fail(f"'accept' takes the number of a choice; found '{rest[0]}'.")
        return settle.accept(row, int(rest[0]) if rest else 1), ()
    if verb in settle.WORDS:
        return settle.simple(row, verb, " ".join(rest)), ()
    if verb not in needs:
        fail(f"Unknown choice '{verb}'; one of accept, {', '.join([*needs, *settle.WORDS])}.")
    with store.reader(job.store) as connection:
        links = planload.newest(connection)[1]
    plan = [{str(k): v for k, v in row.items()} for row in links.to_dict("records")]
    if verb == "choose":
        return settle.choose(row, rest[0], plan), ()
    if verb == "rename":
        return settle.rename(row, rest[0], rest[1], plan), (rest[0], rest[1])
    try:
        steps = int(rest[0])
    except ValueError:
        fail(f"'shift' takes a number of ports; found '{rest[0]}'.")
    return settle.shift(row, steps, plan), ()


@alias.command("list")
def alias_list(json: Json = False) -> None:
    """List the names learnt in this job, with the answer that taught each."""
    rows = _aliases(open_job())
    if json:
        show_json(rows)
    elif not rows:
        say("No names learnt in this job.")
    else:
        show_table(rows, [("typed", "typed"), ("meant", "meant"), ("who", "by"), ("at", "when"),
                          ("answer_id", "answer")])  # fmt: skip


@alias.command("add")
def alias_add(
    typed: Annotated[str, typer.Argument(help="How labels begin as typed.")],
    meant: Annotated[str, typer.Argument(help="How they should begin.")],
    by: By,
    why: Why = "",
    json: Json = False,
) -> None:
    """Teach a name: labels that begin with TYPED are read as beginning with MEANT."""
    from ingest import acts

    argument = json_text.dumps([typed, meant], ensure_ascii=False)
    id_ = acts.answer(open_job(), "", "alias", (), (), argument, why, by)
    _done(json, {"answer_id": id_}, f"'{typed}' is read as '{meant}' in this job.")


@alias.command("drop")
def alias_drop(
    typed: Annotated[str, typer.Argument(help="The name as typed.")],
    by: By,
    why: Why = "",
    json: Json = False,
) -> None:
    """Forget a name; labels that begin with it are questions again."""
    from ingest import acts

    job = open_job()
    found = [row for row in _aliases(job) if row["typed"] == typed]
    if not found:
        fail(f"No name '{typed}' was learnt in this job; see glasstally alias list.")
    for row in found:
        acts.undo(job, row["answer_id"], why, by)
    _done(json, {"dropped": typed}, f"'{typed}' is forgotten.")


def _aliases(job: Any) -> list[dict[str, str]]:
    from ingest import current, decisions, store

    current.ensure(job)
    with store.reader(job.store) as connection:
        answers = decisions.decisions(connection).answers
    rows = []
    for row in answers[answers["action"] == "alias"].to_dict("records"):
        typed, meant = json_text.loads(row["argument"])
        rows.append({"typed": typed, "meant": meant, "who": row["who"], "at": row["at"],
                     "answer_id": row["answer_id"]})  # fmt: skip
    return rows


def ask_sheet(json: Json = False) -> None:
    """Print what only the crew can say: by run and people, with room for the answers."""
    from ingest import views
    from rules.codes.questions import CREW_REMEMBERS

    job = open_job()
    people = {r["run_id"]: r for r in views.runs(job)}
    rows = []
    for row in views.questions(job, "open"):
        if row["code"] not in CREW_REMEMBERS:
            continue
        full = views.question(job, row["question_id"])
        runs = sorted({r["run_id"] for r in full["rows"]})
        first = people.get(runs[0], {}) if runs else {}
        rows.append(
            {
                "people": str(first.get("people") or ""),
                "run": ", ".join(runs),
                "from": min((r["taken_at"] for r in full["rows"] if r["taken_at"]), default=""),
                "question_id": row["question_id"],
                "message": row["message"],
                "choices": [o["label"] for o in row["options"]],
            }
        )
    rows.sort(key=lambda r: (r["people"], r["run"], r["question_id"]))
    if json:
        show_json(rows)
        return
    if not rows:
        say("Nothing to ask the crew: no open question needs their memory.")
    people_now = None
    for entry in rows:
        if entry["people"] != people_now:
            people_now = entry["people"]
            say(f"\n== {people_now or 'people not named'} ==")
        say(f"\n{entry['question_id']}   {entry['run']}   {entry['from']}")
        say(f"  {entry['message']}")
        for choice in entry["choices"]:
            say(f"  [ ] {choice}")
        say("  [ ] otherwise: ______________________________")


def note(
    subject: Annotated[str, typer.Argument(metavar="LINK or RUN", help="What the note is about.")],
    words: Annotated[list[str] | None, typer.Argument(metavar="[WORDS…]", help="The note.")] = None,
    skipped: Annotated[bool, typer.Option("--skipped", help="The port was passed over.")] = False,
    blocked: Annotated[bool, typer.Option("--blocked", help="Nobody can reach it.")] = False,
    by: By = "",
    json: Json = False,
) -> None:
    """Keep what the crew noted; a skipped or blocked port is evidence for the pairing."""
    from ingest import acts, views

    if skipped and blocked:
        fail("A port is either skipped or blocked; give one of the two.")
    job = open_job()
    argument = "skipped" if skipped else "blocked" if blocked else ""
    text = " ".join(words or [])
    if not (argument or text.strip()):
        fail("Nothing to note: give words, --skipped or --blocked.")
    if subject not in {run["run_id"] for run in views.runs(job)}:
        views.link(job, subject)
    id_ = acts.note(job, subject, text, argument=argument, by=by)
    _done(json, {"act_id": id_}, f"Noted for {subject}.")


def _done(as_json: bool, made: object, text: str) -> None:
    if as_json:
        show_json(made)
    else:
        say(text)
