"""The profile: a closed, declarative description of one dump layout, read from TOML.

A profile names columns, units, words and patterns; it holds no code, no path and no condition.
Patterns are RE2 expressions, which cannot hang (google/re2, "WhyRE2").
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self, get_args

import re2
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from parsers import patterns

Layout = Literal["delimited"]
Encoding = Literal[
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "cp1250", "cp437", "cp850",
    "latin-1", "ascii",
]  # fmt: skip
Quantity = Literal["power", "attenuation", "reference", "length"]
Unit = Literal["dB", "dBm", "W", "mW", "uW", "nW", "pW", "in-cell", "in-title"]
State = Literal["under-range", "over-range", "no-light", "not-measured"]
FieldName = Literal[
    "slot", "label", "fibre_position", "wavelength", "direction", "quantity", "verdict", "clock",
    "meter_serial", "source_serial", "operator", "length", "reference", "unit",
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


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class About(_Closed):
    """Who this profile is."""

    name: Name
    version: Annotated[int, Field(ge=1, le=9999)]
    about: str = ""
    layout: Layout


class Recognise(_Closed):
    """Patterns over the first lines: every one of `all` and none of `none`."""

    all: Annotated[list[Pattern], Field(min_length=1, max_length=20)]
    none: Annotated[list[Pattern], Field(max_length=20)] = []


class TextRules(_Closed):
    """How bytes become lines."""

    encoding: Encoding
    preamble: Literal["fault", "keep"] = "fault"
    """What happens to an undescribed line before the first table: a fault, or kept as context."""


class Numbers(_Closed):
    """How numbers are printed."""

    decimal_mark: Literal[".", ","]
    thousands_mark: Literal["", ".", ",", " ", "'"] = ""

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        if self.decimal_mark == self.thousands_mark:
            raise ValueError("decimal_mark and thousands_mark are the same sign")
        return self


class Delimited(_Closed):
    """Fields parted by one sign, after RFC 4180 where a quote is named."""

    separator: Annotated[str, StringConstraints(min_length=1, max_length=1)]
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
        return self


class Heading(_Closed):
    """A line outside the tables; its named groups are context, those in `carry` hold below it."""

    match: Pattern
    carry: list[FieldName] = []

    @model_validator(mode="after")
    def _carried_are_captured(self) -> Self:
        groups = patterns.groups(self.match)
        for name in self.carry:
            if name not in groups:
                raise ValueError(f"carry names '{name}', but match has no group (?P<{name}>…)")
        return self


class Ignore(_Closed):
    """Lines that hold nothing for the job, and why."""

    match: Pattern
    why: Annotated[str, StringConstraints(min_length=3)]


class FieldRule(_Closed):
    """Where a field of the record stands and how its words read."""

    column: Title | None = None
    columns: Annotated[list[Title], Field(min_length=2, max_length=4)] | None = None
    """Several columns joined by one space, such as date and time."""
    value: Title | None = None
    """One value for every row."""
    format: str | None = None
    """Clock only: `iso` or strptime directives."""
    unit: Literal["m", "km", "ft", "nm", "um"] | None = None
    words: dict[str, str] = {}
    absent: list[str] = []
    """Words that mean: nothing stored here."""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        given = [n for n in ("column", "columns", "value") if getattr(self, n) is not None]
        if len(given) != 1:
            raise ValueError("needs exactly one of column, columns, value")
        return self

    def places(self) -> tuple[str, ...]:
        """List the columns that this field is read from."""
        return (self.column,) if self.column else tuple(self.columns or ())


class ValueRule(_Closed):
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


class Table(_Closed):
    """One table of the dump: its titles, its fields and its value columns."""

    header: Annotated[list[str], Field(min_length=1, max_length=1000)]
    titled: bool = True
    """False: the dump prints no titles and `header` only names the columns."""
    record: list[FieldName] = []
    """Neighbouring rows with equal cells in these fields are one record; empty: each row is."""
    fields: dict[FieldName, FieldRule]
    values: Annotated[list[ValueRule], Field(min_length=1, max_length=200)]

    @model_validator(mode="after")
    def _columns_exist(self) -> Self:
        doubled = sorted({t for t in self.header if t and self.header.count(t) > 1})
        used = {place for rule in self.fields.values() for place in rule.places()}
        used |= {value.column for value in self.values}
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
            if name == "clock" and rule.format is None:
                raise ValueError("fields.clock needs a format")
        if "label" not in self.fields:
            raise ValueError("fields.label is missing: a reading without a label pairs with none")
        return self

    @model_validator(mode="after")
    def _values_are_whole(self) -> Self:
        for value in self.values:
            if value.wavelength_nm is None and "wavelength" not in self.fields:
                raise ValueError(
                    f"values column '{value.column}' has no wavelength_nm and there is no "
                    "fields.wavelength"
                )
            if value.unit is None and "unit" not in self.fields:
                raise ValueError(f"values column '{value.column}' has no unit")
        return self


class Profile(_Closed):
    """A whole profile."""

    profile: About
    recognise: Recognise
    text: TextRules
    numbers: Numbers
    states: dict[State, list[str]] = {}
    delimited: Delimited | None = None
    heading: list[Heading] = []
    ignore: list[Ignore] = []
    table: Annotated[list[Table], Field(min_length=1, max_length=20)]

    @model_validator(mode="after")
    def _layout_is_described(self) -> Self:
        if getattr(self, self.profile.layout) is None:
            raise ValueError(f"layout '{self.profile.layout}' needs a [{self.profile.layout}] part")
        return self


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a profile's text."""

    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        found = f" found {self.found};" if self.found else ""
        return f"{self.key}:{found} {self.allowed}"


class ProfileError(ValueError):
    """A profile's text is not a profile; `problems` says where and why, one each."""

    def __init__(self, source: str, problems: tuple[Problem, ...]) -> None:
        self.source = source
        self.problems = problems
        super().__init__("\n".join(f"{source}: {problem}" for problem in problems))


def load(text: str, source: str) -> Profile:
    """Read and validate a profile; raise ProfileError with every problem found."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise ProfileError(source, (Problem("TOML", "", str(problem)),)) from None
    try:
        return Profile.model_validate(data)
    except ValidationError as problem:
        found = tuple(_problem(error, data) for error in problem.errors())
        raise ProfileError(source, found) from None


def _problem(error: Any, data: dict[str, Any]) -> Problem:
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in error["loc"])
    key = key.removesuffix(".[key]") or "profile"
    if error["type"] == "extra_forbidden":
        known = _keys(Profile, error["loc"][:-1])
        near = difflib.get_close_matches(str(error["loc"][-1]), known, 1)
        hint = f" (did you mean '{near[0]}'?)" if near else ""
        return Problem(key, "an unknown key", f"allowed: {', '.join(known)}{hint}")
    if error["type"] == "missing":
        return Problem(key, "nothing", "this key is required")
    allowed = error["msg"].removeprefix("Value error, ")
    value = error.get("input")
    found = "" if isinstance(value, dict | list) else repr(value)
    return Problem(key, found, allowed)


def _keys(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """List the keys that the model at `path` allows."""
    for part in path:
        if isinstance(part, int) or part not in model.model_fields:
            continue
        inner = _inner(model.model_fields[part].annotation)
        if inner is not None:
            model = inner
    return sorted(model.model_fields)


def _inner(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := _inner(a)) is not None), None)
