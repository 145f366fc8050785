"""The parts of a profile, each a closed table of TOML keys."""

from __future__ import annotations

import difflib
from typing import Annotated, Literal, Self

import re2
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from parsers import clocks, patterns

Layout = Literal["delimited", "fixed", "blocks", "serial", "json", "xml", "workbook"]
Encoding = Literal[
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "cp1250", "cp437", "cp850",
    "latin-1", "ascii",
]  # fmt: skip
Quantity = Literal["power", "attenuation", "reference"]
Unit = Literal["dB", "dBm", "W", "mW", "uW", "nW", "pW", "in-cell"]
State = Literal["under-range", "over-range", "no-light", "not-measured"]
FieldName = Literal[
    "slot", "label", "fibre_position", "wavelength", "direction", "quantity", "verdict", "clock",
    "date", "meter_serial", "source_serial", "operator", "length", "reference", "unit",
]  # fmt: skip
WORDS: dict[str, tuple[str, ...]] = {
    "direction": ("a-b", "b-a", ""),
    "quantity": ("power", "attenuation", "reference"),
    "verdict": ("pass", "fail", ""),
    "fibre_position": ("0", "1", "2"),
    "unit": ("dB", "dBm", "W", "mW", "uW", "nW", "pW"),
}
"""Fields whose words are a closed set, with what a profile may translate to."""


def _pattern(text: str) -> str:
    try:
        patterns.compile_lines(text)
    except re2.error as problem:
        reason = problem.args[0] if problem.args else "unreadable"
        reason = reason.decode() if isinstance(reason, bytes) else str(reason)
        raise ValueError(f"not a pattern: {reason}") from None
    return text


Pattern = Annotated[str, StringConstraints(min_length=1, max_length=500), AfterValidator(_pattern)]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{1,39}$")]
Title = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Sign = Annotated[str, StringConstraints(min_length=1, max_length=1)]
Words = Annotated[str, StringConstraints(min_length=3, max_length=200)]


class Closed(BaseModel):
    """A part that refuses unknown keys and wrong types."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class About(Closed):
    """Who this profile is."""

    name: Name
    version: Annotated[int, Field(ge=1, le=9999)]
    about: str = ""
    layout: Layout


class Recognise(Closed):
    """Patterns over the first lines: every one of `all` and none of `none`."""

    all: Annotated[list[Pattern], Field(min_length=1, max_length=20)]
    none: Annotated[list[Pattern], Field(max_length=20)] = []


class TextRules(Closed):
    """How bytes become lines."""

    encoding: Encoding
    preamble: Literal["fault", "keep"] = "fault"
    """What happens to an undescribed line before the first table: a fault, or kept as context."""


class Numbers(Closed):
    """How numbers are printed."""

    decimal_mark: Literal[".", ","]
    thousands_mark: Literal["", ".", ",", " ", "'"] = ""

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        if self.decimal_mark == self.thousands_mark:
            raise ValueError("decimal_mark and thousands_mark are the same sign")
        return self


class Delimited(Closed):
    """Fields parted by one sign, after RFC 4180 where a quote is named."""

    separator: Sign
    quote: Annotated[str, StringConstraints(max_length=1)] = ""
    multiline: bool = False
    """Whether a quoted field may hold line ends; without it a bad quote spoils one line only."""

    @model_validator(mode="after")
    def _signs_differ(self) -> Self:
        if self.separator == self.quote:
            raise ValueError("separator and quote are the same sign")
        if self.separator in "\r\n" or not self.separator.isascii():
            raise ValueError("separator must be one ASCII sign other than a line end")
        if not self.quote.isascii() or self.quote in ("\r", "\n"):
            raise ValueError("quote must be one ASCII sign other than a line end")
        if self.multiline and not self.quote:
            raise ValueError("multiline needs a quote")
        return self


class Fixed(Closed):
    """Fields at fixed character positions, as a line printer writes them."""


class Blocks(Closed):
    """Records as blocks of lines, each a key, a sign and a value."""

    separator: Annotated[str, StringConstraints(min_length=1, max_length=3)]


class Serial(Closed):
    """Lines as a meter sends them over a serial line: framed, checked, parted by one sign."""

    separator: Sign
    start: Annotated[str, StringConstraints(max_length=1)] = ""
    """Sign before the text, such as STX."""
    end: Annotated[str, StringConstraints(max_length=1)] = ""
    """Sign after the text, such as ETX; a checksum follows it."""
    checksum: Literal["none", "sum-8", "xor-8", "crc-16"] = "none"
    """Over the text between start and end, in hexadecimal digits. `crc-16` is the polynomial
    1021 (hexadecimal) from 0, as XMODEM has it."""
    last: Pattern | None = None
    """The line with which a whole dump ends."""

    @model_validator(mode="after")
    def _checksum_has_a_place(self) -> Self:
        if self.checksum != "none" and not self.end:
            raise ValueError("checksum needs an end sign before it")
        return self


class Json(Closed):
    """Records as objects of a JSON document (RFC 8259), or one object per line."""

    lines: bool = False


class Xml(Closed):
    """Records as elements of an XML document; names without their namespace."""


class Workbook(Closed):
    """Rows of the sheets of an xlsx, xls or ods workbook."""

    sheet: Pattern = "."
    """Sheets that hold tables."""
    others: Literal["fault", "ignore"] = "fault"
    """What becomes of the rows of other sheets."""


class Heading(Closed):
    """A line outside the tables: what it says is context; what `carry` names holds below it.

    Text and sheets: `match` with named groups. JSON and XML: `path` of one value and its `key`.
    """

    match: Pattern | None = None
    path: Title | None = None
    key: Title | None = None
    carry: list[FieldName] = []

    @model_validator(mode="after")
    def _carried_are_captured(self) -> Self:
        if (self.match is None) == (self.path is None):
            raise ValueError("needs exactly one of match, path")
        if self.match is None:
            if self.key is None:
                raise ValueError("path needs a key")
            names: tuple[str, ...] = (self.key,)
        else:
            names = patterns.groups(self.match)
        for name in self.carry:
            if name not in names:
                raise ValueError(f"carry names '{name}', but there is no group (?P<{name}>…)")
        return self


class Ignore(Closed):
    """What holds nothing for the job, and why."""

    match: Pattern | None = None
    path: Title | None = None
    why: Words

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.match is None) == (self.path is None):
            raise ValueError("needs exactly one of match, path")
        return self


class FieldRule(Closed):
    """Where a field of the record stands and how its words read."""

    column: Title | None = None
    columns: Annotated[list[Title], Field(min_length=2, max_length=4)] | None = None
    """Several columns joined by one space, such as date and time."""
    value: Title | None = None
    """One value for every row."""
    format: str | None = None
    """Clock only: `iso`, `serial-1900`, `serial-1904` or strptime directives."""
    order: Literal["fixed", "ask"] = "fixed"
    """Clock only: `ask` where nobody knows whether the day or the month stands first."""
    months: Annotated[list[Title], Field(min_length=12, max_length=12)] | None = None
    """Clock only: the dump's names of the months, read where the format has %b."""
    unit: Literal["m", "km", "ft", "nm", "um"] | None = None
    words: dict[str, str] = {}
    absent: list[str] = []
    """Words that mean: nothing stored here."""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        given = [n for n in ("column", "columns", "value") if getattr(self, n) is not None]
        if len(given) != 1:
            raise ValueError("needs exactly one of column, columns, value")
        if self.format is not None:
            problem = clocks.problem(self.format, self.order == "ask")
            if problem:
                raise ValueError(problem)
        return self

    def places(self) -> tuple[str, ...]:
        """List the columns that this field is read from."""
        return (self.column,) if self.column else tuple(self.columns or ())


class ValueRule(Closed):
    """One column of measured values."""

    column: Title
    quantity: Quantity | None = None
    """Absent: the row's `quantity` field says it, else the unit (dB is attenuation)."""
    unit: Unit | None = None
    wavelength_nm: Annotated[int, Field(ge=600, le=1700)] | None = None
    fibre_position: Literal[0, 1, 2] | None = None
    direction: Literal["a-b", "b-a"] | None = None
    negated: bool = False
    """The dump prints loss as a negative number."""
    states: dict[State, list[str]] = {}
    blank: Literal["nothing", "not-measured", "fault"] = "nothing"


class Table(Closed):
    """One table of the dump: its columns, its fields and its value columns."""

    header: Annotated[list[str], Field(min_length=1, max_length=1000)]
    """Column titles in order; keys or paths where the layout has no rows of text."""
    titled: bool = True
    """False: the dump prints no titles and `header` only names the columns."""
    titles: Pattern | None = None
    """Fixed: the line of column titles."""
    row: Pattern | None = None
    """Fixed and serial: what a row of this table looks like."""
    columns: dict[str, Annotated[list[int], Field(min_length=2, max_length=2)]] = {}
    """Fixed: first and last character of each column, from 1."""
    begin: Title | None = None
    """Blocks: the key with which a record begins."""
    again: Title | None = None
    """Blocks: the key that begins a further row of the same record."""
    rows: str | None = None
    """JSON and XML: the path of the records, empty for the top."""
    record: list[FieldName] = []
    """Neighbouring rows with equal cells in these fields are one record; empty: each row is."""
    fields: dict[FieldName, FieldRule]
    values: Annotated[list[ValueRule], Field(min_length=1, max_length=200)]

    @model_validator(mode="after")
    def _columns_exist(self) -> Self:
        doubled = sorted({t for t in self.header if t and self.header.count(t) > 1})
        used = {place for rule in self.fields.values() for place in rule.places()}
        used |= {value.column for value in self.values} | set(self.columns)
        used |= {key for key in (self.begin, self.again) if key}
        for title in sorted(used):
            if title in doubled:
                raise ValueError(f"column '{title}' stands twice in header")
            if title not in self.header:
                near = difflib.get_close_matches(title, self.header, 1)
                hint = f"; did you mean '{near[0]}'?" if near else ""
                raise ValueError(f"column '{title}' is not in header{hint}")
        return self

    @model_validator(mode="after")
    def _words_are_known(self) -> Self:
        for name, rule in self.fields.items():
            for target in rule.words.values():
                if name in WORDS and target not in WORDS[name]:
                    allowed = ", ".join(repr(w) for w in WORDS[name])
                    raise ValueError(f"fields.{name}.words gives '{target}'; allowed: {allowed}")
            if (name == "clock") != (rule.format is not None):
                raise ValueError(f"fields.{name}: format belongs to fields.clock, which needs one")
        if "label" not in self.fields:
            raise ValueError("fields.label is missing: a reading without a label pairs with none")
        return self

    @model_validator(mode="after")
    def _values_are_whole(self) -> Self:
        for value in self.values:
            if value.unit is None and "unit" not in self.fields:
                raise ValueError(f"values column '{value.column}' has no unit")
        return self

    @model_validator(mode="after")
    def _values_differ(self) -> Self:
        seen: dict[tuple[object, ...], str] = {}
        for value in self.values:
            kind = value.quantity or ("attenuation" if value.unit == "dB" else value.unit)
            key = (kind, value.wavelength_nm, value.fibre_position, value.direction)
            if key in seen:
                raise ValueError(
                    f"values columns '{seen[key]}' and '{value.column}' hold the same quantity at "
                    "the same wavelength: give fibre_position or direction"
                )
            seen[key] = value.column
        return self
