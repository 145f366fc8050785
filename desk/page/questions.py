"""Questions: what was read beside what is planned, the evidence, and one answer per cause."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk import settle
from desk.page import forms, originals, show
from desk.page.board import LAST_PLAN
from desk.page.office import Office, Reader, Row
from ingest import acts, lookup
from ingest.errors import BadInput
from ingest.job import Job
from rules.codes.questions import QUESTIONS

MORE = (("outside-plan", "o"), ("leave-out", "x"), ("ask-crew", "c"))
"""What can always be said of readings, with its key; only the last of readings that are placed."""
BY_LABEL = ("link", "shift", "rename")
"""Choices that look at the readings themselves; the others need only their ids."""
MOST_ROWS = 400
"""Readings of a question that its page looks at."""
MOST_LISTED = 200
MOST_LINES = 6
MOST_PLANNED = 8
MOST_EARLIER = 10
"""Newest answers to a question on its page; the journal keeps all."""
KEYS = (
    ("n", "next question"), ("p", "question before"), ("a", "accept the proposal"),
    ("1 – 9", "take that choice"), ("l", "another link"), ("o", "outside the plan"),
    ("x", "leave out"), ("c", "ask the crew"), ("u", "undo the last answer"),
)  # fmt: skip


def questions(request: Request) -> Response:
    """List the questions, the heaviest first."""
    rows = show.office_of(request).read("questions", _questions)
    return show.page(
        request, "questions.html", here="/questions",
        open=[row for row in rows if row["state"] == "open"][:MOST_LISTED],
        answered=[row for row in rows if row["state"] != "open"][:MOST_LISTED],
        open_count=sum(row["state"] == "open" for row in rows),
    )  # fmt: skip


def question(request: Request) -> Response:
    """Show one question with everything that speaks for and against its proposal."""
    return _show(request, request.query_params.get("id", ""))


def _show(request: Request, question_id: str, **more: Any) -> Response:
    office = show.office_of(request)
    listed = [
        r["question_id"] for r in office.read("questions", _questions) if r["state"] == "open"
    ]
    asked = _asked(office, question_id)
    if asked is None:
        earlier = office.read(("answers", question_id), lambda read: _answers(read, question_id))
        if not earlier:
            raise HTTPException(404, "There is no such question. Perhaps it was settled meanwhile.")
        return show.page(
            request, "settled.html", here="/questions", earlier=earlier, next=_first(listed)
        )
    place = listed.index(question_id) if question_id in listed else -1
    pairing = asked["code"] in QUESTIONS
    offered = {option["action"] for option in asked["options"]}
    # a proposal in words that no option carries out is advice: nothing is accepted by one key
    proposed = bool(asked["options"]) and asked["options"][0].get("label") == asked["proposal"]
    sayable = (MORE if pairing else MORE[-1:]) if asked["readings"] else ()
    moves = _moves(asked)
    # what stands once is a term of the sum, also where it weighs nothing; the rest is told in words
    names = Counter(term.get("term") for term in asked["evidence"])
    weighed = [term for term in asked["evidence"]
               if pairing and (names[term.get("term")] == 1 or term.get("weight"))]  # fmt: skip
    heaviest = max((abs(term.get("weight", 0.0)) for term in asked["evidence"]), default=0.0)
    return show.page(
        request, "question.html", here="/questions",
        q=asked, moves=moves, plan=_planned(office, asked, moves),
        lines=_lines(office, asked["rows"]),
        place=place + 1, count=len(listed),
        before=listed[place - 1] if place > 0 else "",
        next=listed[place + 1] if 0 <= place < len(listed) - 1 else "",
        weighed=weighed, told=[term for term in asked["evidence"] if term not in weighed],
        heaviest=heaviest or 1.0, keys=KEYS,
        several=len({row["label"] for row in asked["rows"]}) > 1,
        letters=dict(MORE), words=settle.WORDS, proposed=proposed, pairing=pairing,
        more=[(action, key) for action, key in sayable if action not in offered],
        earlier=office.read(("answers", question_id), lambda read: _answers(read, question_id)),
        **({"problem": ""} | more),
    )  # fmt: skip


def answer(request: Request, form: forms.Form) -> Response:
    """Journal an answer: the same act as the terminal's; then on to the next question."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    question_id = form.text("question")
    listed = [
        r["question_id"] for r in office.read("questions", _questions) if r["state"] == "open"
    ]
    asked = _asked(office, question_id, most=0, told=form.text("choice") in BY_LABEL)
    if asked is None or (asked["state"] != "open" and not form.text("again")):
        return forms.back(
            visitor, f"/question?id={question_id}",
            "Somebody else was faster; nothing of yours was added. See what they said.",
        )  # fmt: skip
    try:
        settled = _settle(office, asked, form)
    except BadInput as error:
        return _show(request, question_id, problem=" ".join(error.lines))

    def act(job: Job) -> tuple[str, ...]:
        why = form.text("why")
        given = acts.answer(
            job, question_id, settled.action, settled.reading_ids, settled.link_ids,
            settled.argument, why, visitor.name,
        )  # fmt: skip
        if form.text("choice") != "rename":
            return (given,)
        # a name put right here is read so in the whole job, as on the terminal
        learnt = json.dumps([form.text("typed"), form.text("meant")], ensure_ascii=False)
        alias = acts.answer(job, question_id, "alias", (), (), learnt, why, visitor.name)
        return (given, alias)

    def remember(given: tuple[str, ...]) -> None:
        visitor.last_answer = given

    office.change("Working the answer in", act, visitor, remember)
    visitor.words.append(f"Answered: {asked['message']}")
    place = listed.index(question_id) if question_id in listed else 0
    still = [row["question_id"] for row in office.read("questions", _questions)
             if row["state"] == "open" and row["question_id"] != question_id]  # fmt: skip
    ahead = [q for q in listed[place + 1 :] if q in still] or still
    return forms.back(visitor, f"/question?id={ahead[0]}" if ahead else "/questions")


def _settle(office: Office, asked: Row, form: forms.Form) -> settle.Answer:
    """Turn the pressed button into an answer; raise BadInput where it cannot be one."""
    choice = form.need("choice", "an answer: press one of the buttons")
    plan = office.read("plan ends", _plan)
    if choice.isdecimal():
        return settle.accept(asked, int(choice))
    if choice == "link":
        return settle.choose(asked, form.need("link", "the link"), plan)
    if choice == "shift":
        steps = form.need("steps", "by how many ports")
        if not steps.lstrip("+-−").isdecimal():
            raise BadInput(f"Found '{steps}'; give a whole number of ports, such as -1.")
        return settle.shift(asked, int(steps.replace("−", "-")), plan)
    if choice == "rename":
        return settle.rename(asked, form.text("typed"), form.text("meant"), plan)
    return settle.simple(asked, choice, form.text("argument"))


def undo(request: Request, _: forms.Form) -> Response:
    """Take the last answer of this browser back."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    if not visitor.last_answer:
        return forms.back(visitor, "/questions", "There is no answer of yours to take back.")
    last, visitor.last_answer = visitor.last_answer, ()
    asked = office.read(("answer", last), lambda read: read.one(_QUESTION_OF, last[:1]))

    def take_back(job: Job) -> None:
        for answer_id in reversed(last):
            acts.undo(job, answer_id, "taken back on the page", visitor.name)

    office.change("Taking the answer back", take_back, visitor)
    return forms.back(visitor, f"/question?id={asked}", "The answer is taken back.")


_QUESTION_OF = (
    "SELECT json_extract(body, '$.question_id') FROM entry WHERE kind = 'answer' "
    "AND json_extract(body, '$.answer_id') = ?"
)


def _questions(read: Reader) -> list[Row]:
    return read.rows(
        "SELECT question_id, code, message, proposal, readings, state, weight "
        "FROM derived_questions ORDER BY state DESC, weight DESC, question_id"
    )


def _asked(
    office: Office, question_id: str, most: int = MOST_ROWS, *, told: bool = True
) -> Row | None:
    """Return a question with its first readings (`rows`), or None where there is none of this id.

    `most` 0 gives all of them; not `told`, only their ids.
    """

    def query(read: Reader) -> Row | None:
        found = read.rows(
            "SELECT question_id, code, message, proposal, readings, state, options, evidence "
            "FROM derived_questions WHERE question_id = ?",
            (question_id,),
        )
        if not found:
            return None
        ids = [
            row["value"]
            for row in read.rows(
                "SELECT i.value FROM derived_questions q, json_each(q.reading_ids) i "
                "WHERE q.question_id = ? LIMIT ?",
                (question_id, most or -1),
            )
        ]
        asked = found[0] | {
            "reading_ids": ids,
            "rows": lookup.by_ids(read.connection, ids) if told else [],
        }
        for name in ("options", "evidence"):
            asked[name] = json.loads(asked[name] or "[]")
        return asked

    return office.read(("question", question_id, most, told), query)


def _answers(read: Reader, question_id: str) -> list[Row]:
    """List what was answered to a question and not taken back, newest first."""
    return read.rows(
        "SELECT at, who, json_extract(body, '$.action') AS action, "
        "json_extract(body, '$.argument') AS argument, json_extract(body, '$.why') AS why, "
        "json_extract(body, '$.link_ids[0]') AS first_link, "
        "json_array_length(body, '$.reading_ids') AS readings FROM entry WHERE kind = 'answer' "
        "AND json_extract(body, '$.question_id') = ? AND json_extract(body, '$.answer_id') NOT IN "
        "(SELECT json_extract(body, '$.id') FROM entry WHERE kind = 'undo') "
        "ORDER BY at DESC, laptop DESC, seq DESC LIMIT ?",
        (question_id, MOST_EARLIER),
    )


def _moves(asked: Row) -> list[Row]:
    """Say for each record where it stands now and where the proposal puts it."""
    target: dict[str, str] = {}
    if asked["options"] and asked["options"][0]["action"] == "place":
        first = settle.accept(asked)
        # beyond the readings that are shown there are more links than readings here
        target = dict(zip(first.reading_ids, first.link_ids, strict=False))
    out: dict[tuple[str, int, str], Row] = {}
    for row in asked["rows"]:
        key = (row["dump_sha256"], row["record"], row["label"])
        move = out.setdefault(
            key,
            {
                "label": row["label"], "clock": row["clock"], "slot": row["slot"], "values": [],
                "now": row["link_id"] or "", "after": target.get(row["reading_id"], ""),
            },
        )  # fmt: skip
        move["values"].append(
            {"nm": row["wavelength_nm"], "loss": row["loss_db"], "state": row["state"]}
        )
    return list(out.values())


def _planned(office: Office, asked: Row, moves: list[Row]) -> list[Row]:
    """Return what the plan has where the proposal puts the readings, else where they stand now.

    Each: the plan's row, `limits` by wavelength (the strictest of each), and `more`, the links that
    are not shown.
    """
    wanted = [move["after"] or move["now"] for move in moves]
    # without a place of its own: what the choices would put it on
    wanted += [link for option in asked["options"] for link in option.get("link_ids") or ()]
    ids = [link for link in dict.fromkeys(wanted) if link]

    def query(read: Reader) -> list[Row]:
        shown = json.dumps(ids[:MOST_PLANNED])
        rows = read.rows(
            "SELECT link_id, a_end, b_end, fibre_type, length_m, cable FROM plan_link "
            f"WHERE plan = ({LAST_PLAN}) AND link_id IN (SELECT value FROM json_each(?)) "
            "ORDER BY position",
            (shown,),
        )
        for row in rows:
            row["limits"] = _strictest(read.of_link("limits", row["link_id"]))
            row["more"] = max(0, len(ids) - MOST_PLANNED)
        return rows

    return office.read(("planned", asked["question_id"]), query)


def _strictest(limits: list[Row]) -> list[Row]:
    """Return the least limit of each wavelength: nm, db."""
    known = [row for row in limits if row["limit_db"] is not None]
    return [
        {"nm": nm, "db": min(row["limit_db"] for row in known if row["wavelength_nm"] == nm)}
        for nm in sorted({row["wavelength_nm"] for row in known})
    ]


def _lines(office: Office, rows: list[Row]) -> list[Row]:
    """Show where the question's readings stand in their dumps: each dump's first lines."""
    out = []
    for sha256 in dict.fromkeys(row["dump_sha256"] for row in rows):
        ours = {row["line"]: row for row in rows if row["dump_sha256"] == sha256}
        first = min(ours)
        shown = [ours[first]]
        while first + len(shown) in ours and len(shown) < MOST_LINES:
            shown.append(ours[first + len(shown)])
        lines = originals.around(office, shown)
        if lines:
            more = len(ours) - len(shown)
            out.append({"dump": shown[0]["dump_name"], "lines": lines, "more": more})
    return out


def _plan(read: Reader) -> list[Row]:
    return read.rows(
        f"SELECT link_id, a_end, b_end FROM plan_link WHERE plan = ({LAST_PLAN}) ORDER BY position"
    )


def _first(listed: list[str]) -> str:
    return listed[0] if listed else ""


ROUTES = [
    Route("/questions", questions),
    Route("/question", question),
    Route("/answer", forms.taken(answer), methods=["POST"]),
    Route("/undo", forms.taken(undo), methods=["POST"]),
]
