"""Held dumps: a drafted profile with what it would read, to edit, try and accept in place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import forms, show
from desk.page.office import Office, Reader, Row
from ingest import acts, durable, originals
from ingest.derive import refresh
from ingest.dumps import read_pending
from ingest.errors import BadInput
from ingest.job import Job
from parsers import draft as drafts
from parsers import text
from parsers.dump import Dump, Extract, Parser
from parsers.profile import ProfileError
from parsers.registry import from_profile

MOST_PROFILE = 100_000
"""Characters of a profile that somebody types."""
MOST_SHOWN = 30
MOST_DRAFTED_BYTES = 32 * 1024 * 1024
COLUMNS = (
    ("line", "line"), ("slot", "slot"), ("label", "label"), ("wavelength_nm", "nm"),
    ("direction", "direction"), ("power_dbm", "power, dBm"), ("reference_dbm", "reference, dBm"),
    ("loss_db", "loss, dB"), ("state", "state"), ("clock", "clock"),
)  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """A profile and what it makes of the dump; `problems` say why it is not whole."""

    toml: str
    problems: tuple[str, ...] = ()
    sure: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    open_ends: tuple[str, ...] = ()
    readings: tuple[Row, ...] = ()
    faults: tuple[Row, ...] = ()
    reading_count: int = 0
    fault_count: int = 0
    claims: bool = False
    """Whether the profile recognises the dump; only then will it be read."""


def held(request: Request) -> Response:
    """Show a held dump with its drafted profile."""
    office = show.office_of(request)
    row = _held(office, request.query_params.get("dump", ""))
    trial = office.shelf.get(
        office.mark(), ("draft", row["sha256"]), lambda: _drafted(_dump(office, row))
    )
    return _show(request, office, row, trial)


def _show(request: Request, office: Office, row: Row, trial: Trial) -> Response:
    body = text.read(_dump(office, row).data[: 64 * 1024], "utf-8")
    first = [body.line(n)[:240] for n in range(min(len(body.starts), MOST_SHOWN))]
    return show.page(
        request, "held.html", here="/intake", dump=row, trial=trial, first=first, columns=COLUMNS,
        binary=row["binary"],
    )  # fmt: skip


def settle(request: Request, form: forms.Form) -> Response:
    """Try an edited profile, accept it, or set the dump aside."""
    office, visitor = show.office_of(request), show.visitor_of(request)
    row = _held(office, form.text("dump"))
    if form.text("do") == "aside":
        why = form.text("why")

        def put_aside(job: Job) -> None:
            acts.set_aside(job, row["sha256"], why=why, by=visitor.name)

        office.change("Setting the dump aside", put_aside, visitor)
        return forms.back(visitor, "/intake", f"{row['name']} is set aside; its bytes stay.")
    toml = form.text("toml", MOST_PROFILE).replace("\r\n", "\n") + "\n"
    trial = _tried(toml, _dump(office, row))
    if form.text("do") != "accept" or trial.problems or not trial.claims:
        return _show(request, office, row, trial)

    def accept(job: Job) -> None:
        keep_profile(job, toml)
        read_pending(job)
        refresh(job)

    office.change("Reading the held dumps with the new profile", accept, visitor)
    return forms.back(visitor, "/intake", "The profile is stored in the job; held dumps were read.")


def keep_profile(job: Job, toml: str) -> None:
    """Store a profile in the job's folder under its own name; refuse another one's name."""
    name = from_profile(toml, "typed on the page").name
    target = job.folder / "profiles" / f"{name}.toml"
    if target.exists() and target.read_text(encoding="utf-8") != toml:
        raise BadInput(f"The job has another profile '{name}'; give this one another name.")
    durable.write(target, toml.encode())


def _held(office: Office, sha256: str) -> Row:
    """Find a held dump by its hash among those of the store; no path comes from the request."""

    def query(read: Reader) -> list[Row]:
        return read.rows(
            "SELECT sha256, name, reason, arrived_at, size FROM dump "
            "WHERE state != 'taken' AND aside = 0"
        )

    found = next((row for row in office.read("held", query) if row["sha256"] == sha256), None)
    if found is None:
        raise HTTPException(404, "There is no such held dump. Perhaps it was read meanwhile.")
    head = originals.path_of(office.job().originals, found["sha256"]).open("rb")
    with head:
        return found | {"binary": b"\0" in head.read(4096)}


def _dump(office: Office, row: Row) -> Dump:
    data = originals.read(office.job().originals, row["sha256"])
    return Dump(data, row["name"], row["sha256"], row["arrived_at"])


def _drafted(dump: Dump) -> Trial:
    if len(dump.data) > MOST_DRAFTED_BYTES or not dump.data.strip():
        return Trial("", ("There is nothing in it to draft a profile from.",))
    found = drafts.draft([dump], _slug(dump.name))
    trial = _read(found.toml, found.parser, found.extracts, dump)
    return Trial(
        **trial.__dict__ | {
            "sure": found.sure, "unsure": found.unsure, "open_ends": found.open_ends,
        }
    )  # fmt: skip


def _tried(toml: str, dump: Dump) -> Trial:
    try:
        parser = from_profile(toml, "typed on the page")
    except ProfileError as error:
        return Trial(toml, tuple(str(problem) for problem in error.problems))
    return _read(toml, parser, [parser.parse(dump)], dump)


def _read(toml: str, parser: Parser | None, extracts: Sequence[Extract], dump: Dump) -> Trial:
    """Lay out what a profile makes of the dump."""
    if parser is None or not extracts:
        return Trial(toml)
    readings, faults = extracts[0].readings, extracts[0].faults
    match = parser.recognise(dump)
    claims = match.level == "yes"
    return Trial(
        toml,
        () if claims else (f"The profile does not recognise this dump: {match.reason}.",),
        readings=tuple(_plain(readings.head(MOST_SHOWN))),
        faults=tuple(_plain(faults.head(MOST_SHOWN))),
        reading_count=len(readings),
        fault_count=len(faults),
        claims=claims,
    )


def _plain(frame: Any) -> list[Row]:
    return [
        {str(key): None if value != value else value for key, value in row.items()}
        for row in frame.to_dict(orient="records")
    ]


def _slug(name: str) -> str:
    stem = name.rsplit(".", 1)[0].lower()
    plain = "-".join("".join(c if c.isascii() and c.isalnum() else " " for c in stem).split())[:39]
    return plain.strip("-") if len(plain) > 1 else f"dump-{plain or 'layout'}"


ROUTES = [Route("/held", held), Route("/held", forms.taken(settle), methods=["POST"])]
