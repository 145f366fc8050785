"""`profile`: the layouts that can be read, drafts of new ones, and the account of a dump."""

from __future__ import annotations

import re
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from desk import extracts
from desk import receipt as receipts_out
from desk.terminal import Exit, Json, counted, job_folder, open_job, say, show_json, show_table

if TYPE_CHECKING:
    from parsers.draft import Draft
    from parsers.dump import Dump, Parser

To = Annotated[Path | None, typer.Option("--to", help="Where to write it; else NAME.toml here.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    profile = typer.Typer(help="Meter profiles: list, draft, check and accept them.")
    profile.command("list")(list_)
    profile.command("draft")(draft)
    profile.command("check")(check)
    profile.command("accept")(accept)
    app.add_typer(profile, name="profile")


def list_(json: Json = False) -> None:
    """List every profile and plug-in that is asked about a dump, and what is wrong with any."""
    parsers, problems = _parsers()
    rows = [_row(parser) for parser in parsers]
    if json:
        show_json({"profiles": rows, "problems": list(problems)})
        return
    show_table(rows, [("name", "name"), ("version", "version"), ("layout", "layout"),
                      ("origin", "from"), ("about", "about")])  # fmt: skip
    for problem in problems:
        say(f"  not used: {problem}")


def _row(parser: Parser) -> dict[str, Any]:
    profile = getattr(parser, "profile", None)
    source = str(getattr(parser, "source", "plug-in"))
    return {
        "name": parser.name,
        "version": parser.version,
        "layout": profile.layout if profile else "its own",
        "origin": source,
        "about": profile.profile.about if profile else "",
    }


def draft(
    files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="Dumps of one layout.")],
    name: Annotated[str, typer.Option(help="The profile's name; else the first file's.")] = "",
    to: To = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite the file.")] = False,
    accepted: Annotated[
        bool, typer.Option("--accept", help="Store it in the job and read held dumps again.")
    ] = False,
    json: Json = False,
) -> None:
    """Propose a profile for a layout that no profile reads.

    Prints what the draft is sure of, what it is not and why, and a preview; writes the profile as
    TOML with a comment at each doubtful line. Nothing undecidable is invented: it is left open in
    words, and a draft that is not whole cannot be accepted.
    """
    from parsers import draft as drafts

    dumps = [_dump(path) for path in files]
    found = drafts.draft(dumps, name or _slug(files[0].stem))
    if not found.toml:
        _refuse(f"{files[0].name}: {found.open_ends[0]}")
    target = None if accepted and to is None and found.parser else to or Path(f"{found.name}.toml")
    if target is not None:
        _write(target, found.toml, replace)
    if json:
        show_json(_draft_json(found, target))
    else:
        _tell(found, dumps, target, accepted)
    if accepted:
        if found.parser is None:
            _refuse(f"The draft is not whole, so it is not accepted. Settle what {target} leaves "
                    f"open, then: glasstally profile accept {target}")  # fmt: skip
        _store(found.toml, found.name, replace, json)


def _slug(stem: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", stem.lower()).strip("-")[:39]
    return plain if len(plain) > 1 else f"dump-{plain or 'layout'}"


def _draft_json(found: Draft, target: Path | None) -> dict[str, Any]:
    return {
        "name": found.name, "whole": found.parser is not None, "file": target, "toml": found.toml,
        "sure": found.sure, "unsure": found.unsure, "open": found.open_ends,
        "readings": [len(extract.readings) for extract in found.extracts],
        "faults": [len(extract.faults) for extract in found.extracts],
    }  # fmt: skip


def _tell(found: Draft, dumps: list[Dump], target: Path | None, accepted: bool) -> None:
    say(f"Draft of profile '{found.name}'")
    for heading, lines in (
        ("Sure:", found.sure),
        ("Not sure; read these lines of the profile:", found.unsure),
        ("Left open for a person:", found.open_ends),
    ):
        if lines:
            say(heading)
            for line in lines:
                say(f"  - {line}")
    for dump, extract in zip(dumps, found.extracts, strict=False):
        extracts.preview(dump, extract)
    if target is not None:
        say(f"Written: {target}")
    if not accepted and target is not None:
        say(f"Next: read {target}, settle what is open, then: glasstally profile accept {target}")


def check(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE…", help="Dumps, or profiles (.toml) to prove.")
    ],
    profile: Annotated[
        str, typer.Option(help="A profile by name or TOML file; else the one that claims it.")
    ] = "",
    json: Json = False,
) -> None:
    """Print where every line of a dump went: reading, fault, ignored or context.

    A profile (.toml) is checked for errors instead. Exit code 2: no single profile claims a dump,
    or a profile is wrong.
    """
    out, bad = [], False
    for path in files:
        if path.suffix == ".toml":
            parser = _from_file(path)
            out.append({"profile": parser.name, "version": parser.version, "problems": []})
            if not json:
                say(f"{path}: profile '{parser.name}' is in order")
            continue
        told = _checked(path, profile, quiet=json)
        bad = bad or told is None
        out.append(told or {"file": str(path), "parser": None})
    if json:
        show_json(out)
    if bad:
        raise SystemExit(Exit.USAGE)


def _checked(path: Path, wanted: str, quiet: bool) -> dict[str, Any] | None:
    """Tell the account of one dump; None where no single profile claims it."""
    from parsers import account, registry

    dump = _dump(path)
    choice = registry.choose(dump, _parsers()[0]) if not wanted else None
    parser = _named(wanted) if choice is None else choice.parser
    if parser is None:
        if choice is not None and not quiet:
            why = "several profiles claim it" if choice.claims else "no profile claims it"
            say(f"{path.name}: {why}")
            for name, match in choice.matches:
                say(f"  {name}: {match.level}, {match.reason}")
            say(f"Next: glasstally profile draft {path}")
        return None
    extract = parser.parse(dump)
    lost = account.check(dump, extract)
    spans = extract.accounts.to_dict("records")
    if not quiet:
        found = counted(len(extract.readings), "reading"), counted(len(extract.faults), "fault")
        say(f"{path.name}: read by {parser.name} {parser.version}; {', '.join(found)}")
        for code, sentence in extract.questions:
            say(f"  question {code}: {sentence}")
        extracts.account(dump, extract)
        for problem in lost:
            say(f"  NOT ACCOUNTED: {problem}")
        if not lost:
            say("  The account closes: every line that is not blank went to one place.")
    return {
        "file": str(path), "parser": parser.name, "unit": extract.unit,
        "readings": len(extract.readings), "questions": extract.questions,
        "faults": extract.faults.to_dict("records"), "accounts": spans, "lost": lost,
    }  # fmt: skip


def accept(
    file: Annotated[Path, typer.Argument(help="The profile, a TOML file.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace the job's profile of the same name.")
    ] = False,
    json: Json = False,
) -> None:
    """Store a profile in the job; held dumps that it claims are then read without being brought."""
    parser = _from_file(file)
    _store(file.read_text(encoding="utf-8-sig"), parser.name, replace, json)


def _store(toml: str, name: str, replace: bool, quiet: bool) -> None:
    """Keep a profile in the job, read what was held, and tell what became of it."""
    from ingest import durable, views
    from ingest.derive import refresh
    from ingest.dumps import read_pending
    from ingest.intake import Arrived, receipts

    job = open_job()
    target = job.folder / "profiles" / f"{name}.toml"
    if target.exists() and not replace and target.read_text(encoding="utf-8") != toml:
        _refuse(f"{target} is another profile of that name; --replace puts this one in its place.")
    held = [row for row in views.dumps(job) if row["state"] == "held"]
    durable.write(target, toml.encode())
    read_pending(job)
    refresh(job)
    after = receipts(job, [Arrived(row["names"][0], row["sha256"], new=True) for row in held])
    if quiet:
        return
    say(f"Accepted: {target}")
    for receipt in after:
        receipts_out.tell(receipt)


def _parsers() -> tuple[tuple[Parser, ...], tuple[str, ...]]:
    """Return the job's parsers, or the shipped ones where there is no job."""
    from ingest.errors import BadInput
    from parsers import registry

    try:
        job_folder()
    except BadInput:
        return registry.shipped(), ()
    from ingest import plugins

    found = plugins.of_job(open_job())
    return found.parsers, found.problems


def _named(wanted: str) -> Parser:
    if wanted.endswith(".toml"):
        return _from_file(Path(wanted))
    found = [parser for parser in _parsers()[0] if parser.name == wanted]
    if not found:
        _refuse(f"No profile '{wanted}'; see: glasstally profile list")
    return found[0]


def _from_file(path: Path) -> Parser:
    from ingest.errors import BadInput
    from parsers.profile import ProfileError
    from parsers.registry import from_profile

    try:
        return from_profile(_bytes(path).decode("utf-8-sig", "replace"), path.name)
    except ProfileError as error:
        raise BadInput(f"{path} is not a whole profile.", *map(str, error.problems)) from None


def _dump(path: Path) -> Dump:
    from parsers.dump import Dump

    data = _bytes(path)
    return Dump(data, path.name, sha256(data).hexdigest())


def _bytes(path: Path) -> bytes:
    from ingest.errors import BadInput, NotNow, why_not

    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInput(f"{path}: there is no such file.") from None
    except OSError as error:
        raise NotNow(f"{path}: {why_not(error)}.") from None


def _write(target: Path, toml: str, replace: bool) -> None:
    from ingest.errors import BadInput, NotNow, why_not

    if target.exists() and not replace:
        raise BadInput(f"{target} is there already; --replace overwrites it, --to names another.")
    try:
        target.write_text(toml, encoding="utf-8")
    except OSError as error:
        raise NotNow(f"{target}: {why_not(error)}.") from None


def _refuse(message: str) -> NoReturn:
    from ingest.errors import BadInput

    raise BadInput(message)
