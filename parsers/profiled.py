"""A parser made of a profile: recognise, read, convert, account."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from parsers import (
    account,
    blocks,
    delimited,
    documents,
    fixed,
    heads,
    json_lines,
    patterns,
    readings,
    serial,
    text,
    workbook,
)
from parsers.dump import Dump, Extract, Match
from parsers.profile import Profile
from parsers.raw import Fault, Raw
from rules import tables
from rules.codes.faults import FAULTS

_Reader = Callable[[Profile, bytes], tuple[Raw, list[Fault]]]


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
        rules = self.profile.recognise
        head = heads.read(dump.data, self.profile.layout, self.profile.text.encoding)
        if not isinstance(head, bytes):
            return Match("no", head)
        for pattern in rules.none:
            if patterns.compile_lines(pattern).search(head):
                return Match("no", f"a line matches {pattern!r}, which rules it out")
        lacks = [p for p in rules.all if not patterns.compile_lines(p).search(head)]
        if len(lacks) == len(rules.all):
            return Match("no", f"no line matches {lacks[0]!r}")
        if lacks:
            return Match("maybe", f"no line matches {lacks[0]!r}, though others of the profile do")
        return Match("yes", "every pattern of the profile matches")

    def parse(self, dump: Dump) -> Extract:
        """Read the dump; never raises on content."""
        lined = self.profile.json_ is not None and self.profile.json_.lines
        reader = json_lines.read if lined else _LAYOUTS[self.profile.layout]
        raw, extra = reader(self.profile, dump.data)
        made = readings.make(self.profile, raw)
        faults = [*made.faults, *raw.faults]
        if not len(made.readings) and not faults:
            faults.append(Fault(1, 1, "rows-missing", "", "rows as the profile describes them"))
        if not dump.data.strip(b"\0 \t\r\n\f\xef\xbb\xbf\xff\xfe"):
            faults = [Fault(1, 1, "empty-dump", "", "readings")]
        if not dump.complete and all(f.code != "capture-incomplete" for f in faults):
            faults.append(Fault(max(raw.size, 1), 1, "capture-incomplete", "", "a whole capture"))
        accounts = account.build(raw, made.readings, faults)
        context = pd.DataFrame(raw.context, columns=["line", "key", "value"])
        return Extract(
            readings=tables.conform(made.readings, tables.EXTRACTED),
            faults=fault_table([*faults, *extra], dump),
            accounts=accounts,
            context=tables.conform(context, tables.CONTEXT),
            unit=raw.unit,
            encoding=raw.encoding,
            questions=tuple(made.questions),
        )


def _text_layout(read: Callable[[Profile, text.Text], Raw]) -> _Reader:
    """Make a reader of bytes of one that reads lines; damage in the text is noted beside."""

    def reader(profile: Profile, data: bytes) -> tuple[Raw, list[Fault]]:
        encoding = profile.text.encoding
        framed, parted = profile.serial, profile.delimited
        frame = framed.start + framed.end + framed.separator if framed else ""
        frame += parted.separator if parted else ""
        body = text.read(data, encoding, frame)
        extra = [Fault(line, column, "encoding-damaged", shown, f"text in {encoding}")
                 for line, column, shown in body.damaged]  # fmt: skip
        extra += [Fault(line, 1, "control-character", body.excerpt(line - 1), "printable text")
                  for line in body.controls]  # fmt: skip
        raw = read(profile, body)
        raw.encoding = encoding
        return raw, extra

    return reader


_LAYOUTS: Mapping[str, _Reader] = {
    "delimited": _text_layout(delimited.read),
    "fixed": _text_layout(fixed.read),
    "blocks": _text_layout(blocks.read),
    "serial": _text_layout(serial.read),
    "json": documents.read,
    "xml": documents.read,
    "workbook": workbook.read,
}


def fault_table(faults: list[Fault], dump: Dump) -> pd.DataFrame:
    """Make the table FAULTS, in order of place, with the registry's remedy where none is given.

    One cell that holds for several rows of a record is one fault.
    """
    one_each = {fault[:4]: fault for fault in faults}
    rows = sorted(one_each.values(), key=lambda fault: (fault.line, fault.column, fault.code))
    remedies = [fault.remedy or FAULTS[fault.code].remedy for fault in rows]
    columns = {
        "dump_sha256": [dump.sha256] * len(rows),
        "dump_name": [dump.name] * len(rows),
        "code": [fault.code for fault in rows],
        "found": [fault.found[: text.EXCERPT] for fault in rows],
        "expected": [fault.expected for fault in rows],
        "remedy": remedies,
    }
    frame = pd.DataFrame({name: pd.array(cells, dtype="str") for name, cells in columns.items()})
    frame["line"] = np.array([fault.line for fault in rows], np.int64)
    frame["column"] = np.array([fault.column for fault in rows], np.int64)
    return tables.conform(frame, tables.FAULTS)
