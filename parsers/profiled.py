"""A parser made of a profile: recognise, read, convert, account."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd

from parsers import account, delimited, patterns, readings, text
from parsers.dump import Dump, Extract, Match
from parsers.profile import Profile
from parsers.raw import Fault, Raw
from rules import tables
from rules.codes.faults import FAULTS

HEAD = 64 * 1024
"""Bytes in which a dump must show what it is. Engineering default, no source."""
SHOWN = 200
"""Characters of a bad line that a fault keeps."""

_TEXT: Mapping[str, Callable[[Profile, text.Text], Raw]] = {"delimited": delimited.read}


@dataclass(frozen=True)
class ProfileParser:
    """Reads the layout that one profile describes; see `parsers.dump.Parser`."""

    profile: Profile
    source: str

    @property
    def name(self) -> str:
        """The profile's name."""
        return self.profile.profile.name

    @property
    def version(self) -> int:
        """The profile's version."""
        return self.profile.profile.version

    def recognise(self, dump: Dump) -> Match:
        """Claim a dump whose first lines match every pattern of `all` and none of `none`."""
        head = text.read(dump.data[:HEAD], self.profile.text.encoding).body
        rules = self.profile.recognise
        lacks = [p for p in rules.all if not patterns.compile_lines(p).search(head)]
        for pattern in rules.none:
            if patterns.compile_lines(pattern).search(head):
                return Match("no", f"a line matches {pattern!r}, which rules it out")
        if len(lacks) == len(rules.all):
            return Match("no", f"no line matches {lacks[0]!r}")
        if lacks:
            return Match("maybe", f"no line matches {lacks[0]!r}, others of the profile match")
        return Match("yes", "every pattern of the profile matches")

    def parse(self, dump: Dump) -> Extract:
        """Read the dump; never raises on content."""
        body = text.read(dump.data, self.profile.text.encoding)
        raw = _TEXT[self.profile.profile.layout](self.profile, body)
        found, faults = readings.make(self.profile, raw)
        faults += raw.faults
        accounts = account.build(found, faults, raw.marks)
        faults += [
            Fault(line, column, "encoding-damaged", shown, self.profile.text.encoding)
            for line, column, shown in body.damaged
        ]
        faults += [
            Fault(line, 1, "control-character", body.line(line - 1), "printable text")
            for line in body.controls
        ]
        context = pd.DataFrame(raw.context, columns=["line", "key", "value"])
        return Extract(
            readings=tables.conform(found, tables.EXTRACTED),
            faults=fault_table(faults, dump),
            accounts=accounts,
            context=tables.conform(context, tables.CONTEXT),
        )


def fault_table(faults: list[Fault], dump: Dump) -> pd.DataFrame:
    """Make the table FAULTS, in order of place, with the registry's remedy where none is given."""
    frame = pd.DataFrame(faults, columns=list(Fault._fields))
    frame["dump_sha256"] = dump.sha256
    frame["dump_name"] = dump.name
    frame["found"] = frame["found"].astype("str").str.slice(0, SHOWN)
    standard = frame["code"].map({slug: code.remedy for slug, code in FAULTS.items()})
    frame["remedy"] = frame["remedy"].where(frame["remedy"] != "", standard)
    frame = frame.sort_values(["line", "column", "code"], kind="stable")
    return tables.conform(frame, tables.FAULTS)
