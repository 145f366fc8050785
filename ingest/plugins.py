"""Every parser of a job: shipped profiles, the job's own profiles, and installed plug-ins."""

from __future__ import annotations

import traceback
from dataclasses import dataclass
from functools import cache
from importlib.metadata import entry_points

from ingest.errors import BadInput
from ingest.job import Job
from parsers import registry
from parsers.dump import Parser
from parsers.profile import ProfileError
from parsers.talking import Talk

GROUP = "glasstally.parsers"
"""Entry points: each a Parser, or a class or function without arguments that makes one."""


@dataclass(frozen=True)
class Parsers:
    """What can be asked about a dump, and why some cannot."""

    parsers: tuple[Parser, ...]
    problems: tuple[str, ...]
    """One sentence for each profile or plug-in that cannot be used."""


def of_job(job: Job) -> Parsers:
    """Gather the parsers; a bad profile or plug-in is a problem, never an exception.

    A job's own profile replaces the shipped one of the same name.
    """
    named: dict[str, Parser] = {parser.name: parser for parser in _shipped()}
    installed, problems = _installed()
    for origin, parser in installed:
        if parser.name in named:
            problems.append(f"plug-in {origin}: the name {parser.name} is taken; not used")
        else:
            named[parser.name] = parser
    own: set[str] = set()
    for file, text in job.texts("profiles").items():
        try:
            parser = registry.from_profile(text, file)
        except ProfileError as error:
            problems.append(f"profiles/{file}: {error}")
            continue
        if parser.name in own:
            problems.append(f"profiles/{file}: the name {parser.name} is taken; not used")
            continue
        own.add(parser.name)
        named[parser.name] = parser
    return Parsers(tuple(named[name] for name in sorted(named)), tuple(problems))


def talk_of(job: Job, name: str) -> Talk | None:
    """Return the conversation of a profile by name; raise BadInput for an unknown profile."""
    if not name:
        return None
    found = [parser for parser in of_job(job).parsers if parser.name == name]
    if not found:
        raise BadInput(f"No profile '{name}'; see `glasstally profile list`.")
    profile = getattr(found[0], "profile", None)
    return profile.talk if profile is not None else None


@cache
def _shipped() -> tuple[Parser, ...]:
    return registry.shipped()


def _installed() -> tuple[list[tuple[str, Parser]], list[str]]:
    parsers: list[tuple[str, Parser]] = []
    problems: list[str] = []
    for point in sorted(entry_points(group=GROUP), key=lambda point: point.name):
        try:
            found = point.load()
            made = isinstance(found, type) or not hasattr(found, "recognise")
            parser = found() if made else found
            if not (isinstance(parser.name, str) and isinstance(parser.version, int)):
                raise TypeError("a parser needs a name and a version")
            parsers.append((point.name, parser))
        except Exception:  # noqa: BLE001 a plug-in of others may fail in any way
            reason = traceback.format_exc(limit=0).strip().splitlines()[-1]
            problems.append(f"plug-in {point.name}: {reason}")
    return parsers, problems
