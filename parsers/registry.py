"""Which parsers there are, and which one a dump belongs to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources

from parsers.dump import Dump, Match, Parser
from parsers.profile import load
from parsers.profiled import ProfileParser


@dataclass(frozen=True)
class Choice:
    """The parser that alone claims a dump, or None; and what each parser said."""

    parser: Parser | None
    matches: tuple[tuple[str, Match], ...]
    """(parser's name, its answer) in order of names."""

    @property
    def claims(self) -> tuple[str, ...]:
        """Names of the parsers that claim the dump."""
        return tuple(name for name, match in self.matches if match.level == "yes")


def shipped_texts() -> dict[str, str]:
    """Return the shipped profiles' texts by file name."""
    folder = resources.files("parsers") / "profiles"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return {file.name: file.read_text(encoding="utf-8") for file in files}


def shipped() -> tuple[Parser, ...]:
    """Return the parsers of the shipped profiles, in order of names."""
    return tuple(from_profile(text, name) for name, text in shipped_texts().items())


def from_profile(text: str, source: str) -> Parser:
    """Make a parser of a profile's TOML; raise `parsers.profile.ProfileError` on a bad one."""
    return ProfileParser(load(text, source), source)


def choose(dump: Dump, parsers: Iterable[Parser]) -> Choice:
    """Ask every parser; a dump has a parser only if exactly one claims it."""
    asked = sorted(parsers, key=lambda parser: parser.name)
    answers = [(parser, parser.recognise(dump)) for parser in asked]
    claiming = [parser for parser, match in answers if match.level == "yes"]
    matches = tuple((parser.name, match) for parser, match in answers)
    return Choice(claiming[0] if len(claiming) == 1 else None, matches)
