"""A draft of a profile from sample dumps: what it is sure of, what it is not, and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from parsers import (
    draft_columns,
    draft_headings,
    draft_profile,
    draft_values,
    draft_words,
    grids,
    text,
    trees,
)
from parsers.draft_profile import Work
from parsers.draft_samples import of_text
from parsers.draft_tables import Sample
from parsers.draft_toml import raw
from parsers.draft_trees import of_json_lines, of_tree, of_workbook
from parsers.draft_values import Column
from parsers.dump import Dump, Extract, Parser
from parsers.profile import ProfileError
from parsers.registry import from_profile


@dataclass(frozen=True)
class Draft:
    """A proposed profile; `open_ends` is what only a person can settle."""

    name: str
    toml: str
    sure: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    open_ends: tuple[str, ...] = ()
    parser: Parser | None = None
    """None while the profile is not whole; `open_ends` then says what it lacks."""
    extracts: tuple[Extract, ...] = ()
    """What the parser makes of each sample."""


def draft(dumps: Sequence[Dump], name: str) -> Draft:
    """Propose a complete profile from one or more dumps of one layout; never raises on content.

    What cannot be told is left open in words; it is never invented.
    """
    book = grids.is_workbook(dumps[0].data)
    encoding, sure = ("utf-8", []) if book else _encoding([dump.data for dump in dumps])
    sample = _sample(dumps[0], encoding)
    if sample is None:
        why = "nothing in this dump repeats like rows or records: is it a meter's dump?"
        return Draft(name, "", open_ends=(why,))
    for other in dumps[1:]:
        more = _sample(other, encoding)
        if more is None or (more.layout, more.header) != (sample.layout, sample.header):
            sample.doubts.append(f"{other.name} has another layout or other titles")
        else:
            sample.rows += more.rows
            for table in more.more:
                same = [one for one in sample.more if one.header == table.header]
                if same:
                    same[0].rows += table.rows
                else:
                    sample.more.append(table)
    parts = [sample, *sample.more]
    rules, doubt = draft_columns.number_rules([row for part in parts for row in part.rows])
    work = Work(encoding, sample, [], rules)
    rows = sum(len(part.rows) for part in parts)
    work.sure += [*sure, f"layout {sample.layout}, {rows} rows in the samples"]
    work.unsure += sample.doubts + ([doubt] if doubt else [])
    for part in parts:
        units = part.unit_cells or [""] * len(part.header)
        columns = [Column(title, [row[place] for row in part.rows], unit=draft_values.unit(unit))
                   for place, (title, unit) in enumerate(zip(part.header, units, strict=True))
                   ]  # fmt: skip
        work.tables.append((part, columns))
        work.open_ends += draft_columns.judge(columns, rules)
        for column in columns:
            if column.kind not in ("", "value"):
                asked = [f"column '{column.title}': {doubt}" for doubt in column.doubts]
                work.open_ends += [doubt for doubt in asked if doubt.endswith("?")]
                work.unsure += [doubt for doubt in asked if not doubt.endswith("?")]
    outside = draft_headings.describe(
        sample, rules, any(draft_profile.dark(each) for _, each in work.tables)
    )
    work.headings, work.keep = outside.toml, outside.keep
    work.sure += outside.sure
    work.unsure += outside.unsure
    work.open_ends += outside.open_ends
    if sample.sign:
        work.signs.append(sample.sign)
    if sample.layout in ("json", "xml"):
        _tree_signs(work)
    for part, columns in work.tables:
        _lack(work, part, columns, outside.lit)
    _encoding_doubt(work)
    if not work.signs:
        work.open_ends.append("nothing constant to recognise the dump by: give a pattern")
    toml = draft_profile.written(work, name)
    return _tried(work, name, toml, dumps)


def _encoding(samples: list[bytes]) -> tuple[str, list[str]]:
    """Find the encoding: a mark, else strict UTF-8, else a code page that a person confirms."""
    mark, found = text.marked(samples[0], text.guessed(samples[0]))
    if mark or found != "utf-8":
        return found, [f"encoding {found}, by its {'mark' if mark else 'zero bytes'}"]
    whole = b"".join(samples)
    if whole.isascii():
        return "utf-8", ["encoding: nothing but ASCII, read as utf-8"]
    try:
        whole.decode("utf-8")
    except UnicodeDecodeError:
        pages = ("cp437", "cp1252") if _box_letters(whole) else ("cp1252", "cp437")
        return pages[0], []
    return "utf-8", ["encoding utf-8, valid throughout"]


def _box_letters(data: bytes) -> bool:
    """Tell whether umlauts and accents stand where DOS code pages have them, not Windows'."""
    dos = sum(data.count(bytes([sign])) for sign in b"\x81\x84\x94\x8e\x99\x9a\x82\x8a\x85\xe1")
    windows = sum(data.count(bytes([sign])) for sign in range(0xC0, 0x100))
    return dos > windows


def _sample(dump: Dump, encoding: str) -> Sample | None:
    if grids.is_workbook(dump.data):
        book = grids.read(dump.data)
        return None if isinstance(book, grids.Refused) else of_workbook(book, ".")
    start = text.decoded(dump.data[:4096], encoding).lstrip("\ufeff \t\r\n")[:1]
    for layout, sign in (("xml", "<"), ("json", "{["), ("json-lines", "{")):
        if not start or start not in sign:
            continue
        if layout == "json-lines":
            return of_json_lines(text.read(dump.data, encoding))
        tree = trees.read(dump.data, layout, encoding)
        if isinstance(tree, trees.Tree):
            return of_tree(tree, layout)
    return of_text(text.read(dump.data, encoding))


def _tree_signs(work: Work) -> None:
    """Recognise a document by the names of its values."""
    names = [title.rpartition("/")[2].lstrip("@") for title in work.sample.header]
    names = [name for name in dict.fromkeys(names) if re.match(r"[A-Za-z]", name)]
    form = '"{}" *:' if work.sample.layout == "json" else "[< ]{}[ =/>]"
    work.signs += [raw(form.format(re.escape(name))) for name in names[:4]]


def _lack(work: Work, part: Sample, columns: list[Column], lit: bool) -> None:
    """Say what every profile needs and this sample does not show."""
    if not any(column.kind == "value" for column in columns):
        work.open_ends.append(f"no column of '{'; '.join(part.header)[:60]}' looks like measured "
                              "values: which one does?")  # fmt: skip
    names = [c.title for c in columns if c.kind != "value"]
    levels = any(column.quantity == "power" for column in columns)
    if levels and any("reference" in draft_words.title_kinds(title) for title in names):
        work.open_ends.append(f"does the table '{'; '.join(part.header)[:60]}' hold references? If "
                              'so its quantity is "reference"')  # fmt: skip
    dark = draft_profile.dark(columns)
    if not dark or lit:
        return
    lacks = "no wavelength is printed for " + ", ".join(f"'{title}'" for title in dark)
    codes = [column for column in columns if draft_columns.codes(column)]
    for column in codes:
        listed = ", ".join(f"'{code}'" for code in draft_columns.codes(column))
        work.open_ends.append(
            f"{lacks}. Do {listed} in column '{column.title}' stand for wavelengths (give each its "
            "nanometres under fields.wavelength), or do they tell references from measurements "
            "(fields.quantity)? If neither, give wavelength_nm"
        )
    if not codes:
        work.open_ends.append(f"{lacks}: give wavelength_nm")


def _encoding_doubt(work: Work) -> None:
    """Ask about an encoding that the bytes alone do not tell."""
    if work.encoding not in ("cp1252", "cp437"):
        return
    other = "cp437" if work.encoding == "cp1252" else "cp1252"
    cells = (cell for part, _ in work.tables for row in part.rows for cell in row)
    odd = [cell for cell in cells if not cell.isascii()][:3]
    odd += [title for part, _ in work.tables for title in part.header if not title.isascii()]
    work.open_ends.append(
        f"the bytes are not UTF-8; {work.encoding} reads {', '.join(map(repr, odd)) or 'them'}."
        f" If that looks wrong, try {other} or cp850"
    )


def _tried(work: Work, name: str, toml: str, dumps: Sequence[Dump]) -> Draft:
    """Try the draft on the samples; what it lacks is an open end."""
    parser: Parser | None = None
    extracts: tuple[Extract, ...] = ()
    try:
        parser = from_profile(toml, name)
        extracts = tuple(parser.parse(dump) for dump in dumps)
    except ProfileError as problem:
        work.open_ends += [f"the profile is not whole: {part}" for part in problem.problems]
    for dump, _ in zip(dumps, extracts, strict=False):
        match = parser.recognise(dump) if parser else None
        if match and match.level != "yes":
            work.open_ends.append(f"the draft does not claim {dump.name}: {match.reason}")
    return Draft(
        name, toml, tuple(work.sure), tuple(work.unsure), tuple(dict.fromkeys(work.open_ends)),
        parser, extracts,
    )  # fmt: skip
