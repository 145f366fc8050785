"""The profile: a closed, declarative description of one dump layout, read from TOML.

A profile names columns, units, words and patterns; it holds no code, no path and no condition.
Patterns are RE2 expressions, which run in time linear in the dump (google/re2, README).
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from typing import Annotated, Any, Self, get_args

from pydantic import BaseModel, Field, ValidationError, model_validator

from parsers import profile_parts as parts
from parsers.talking import Talk

NEEDS = {
    "delimited": (),
    "fixed": ("row", "columns"),
    "blocks": ("begin",),
    "serial": (),
    "json": ("rows",),
    "xml": ("rows",),
    "workbook": (),
}
"""Keys of a table that a layout cannot do without."""
MAY = {
    "fixed": {"titles"},
    "blocks": {"again"},
    "serial": {"row"},
}
"""Keys of a table that only some layouts know, beyond `NEEDS`."""
_SPECIAL = ("titles", "row", "columns", "begin", "again", "rows")


class Profile(BaseModel):
    """A whole profile."""

    model_config = parts.Closed.model_config

    profile: parts.About
    recognise: parts.Recognise
    text: parts.TextRules
    numbers: parts.Numbers
    states: dict[parts.State, list[str]] = {}
    delimited: parts.Delimited | None = None
    fixed: parts.Fixed | None = None
    blocks: parts.Blocks | None = None
    serial: parts.Serial | None = None
    json_: Annotated[parts.Json | None, Field(alias="json")] = None
    xml: parts.Xml | None = None
    workbook: parts.Workbook | None = None
    heading: list[parts.Heading] = []
    ignore: list[parts.Ignore] = []
    talk: Talk | None = None
    """What to say over a serial line before the dump; reading a dump does not need it."""
    table: Annotated[list[parts.Table], Field(min_length=1, max_length=20)]

    @property
    def layout(self) -> str:
        """The layout's word."""
        return self.profile.layout

    @model_validator(mode="after")
    def _layout_is_described(self) -> Self:
        layout = self.layout
        if self._part(layout) is None:
            raise ValueError(f"layout '{layout}' needs a [{layout}] part")
        for other in get_args(parts.Layout):
            if other != layout and self._part(other) is not None:
                raise ValueError(f"layout is '{layout}', so there is no [{other}] part")
        tree = layout in ("json", "xml")
        place, other = ("path", "match") if tree else ("match", "path")
        for rule in [*self.heading, *self.ignore]:
            if getattr(rule, place) is None:
                raise ValueError(f"layout '{layout}' finds headings by {place}, not by {other}")
        return self

    @model_validator(mode="after")
    def _tables_fit_the_layout(self) -> Self:
        carried = {name for heading in self.heading for name in heading.carry}
        for number, table in enumerate(self.table, 1):
            for key in _SPECIAL:
                given = getattr(table, key) not in (None, {})
                if key in NEEDS[self.layout] and not given:
                    raise ValueError(f"table {number}: layout '{self.layout}' needs {key}")
                known = key in NEEDS[self.layout] or key in MAY.get(self.layout, ())
                if given and not known:
                    raise ValueError(f"table {number}: layout '{self.layout}' knows no {key}")
            lit = "wavelength" in table.fields or "wavelength" in carried
            for value in table.values:
                if value.wavelength_nm is None and not lit:
                    raise ValueError(
                        f"table {number}: values column '{value.column}' has no wavelength_nm, "
                        "and neither a field nor a heading gives a wavelength"
                    )
        return self

    def _part(self, layout: str) -> parts.Closed | None:
        found: parts.Closed | None = getattr(self, "json_" if layout == "json" else layout)
        return found


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
        found = tuple(_problem(error) for error in problem.errors())
        raise ProfileError(source, found) from None


def _problem(error: Any) -> Problem:
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in error["loc"])
    key = key.removesuffix(".[key]") or "profile"
    if error["type"] == "extra_forbidden":
        known = _keys(Profile, error["loc"][:-1])
        near = difflib.get_close_matches(str(error["loc"][-1]), known, 1)
        hint = f" (did you mean '{near[0]}'?)" if near else ""
        return Problem(key, "an unknown key", f"allowed: {', '.join(known)}{hint}")
    if error["type"] == "missing":
        return Problem(key, "nothing", "this key is required")
    allowed = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    value = error.get("input")
    found = "" if isinstance(value, dict | list) else repr(value)
    return Problem(key, found, f"allowed: {allowed}" if found else allowed)


def _keys(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """List the keys that the model at `path` allows."""
    for part in path:
        field = next((f for n, f in model.model_fields.items() if part in (n, f.alias)), None)
        inner = _inner(field.annotation) if field else None
        if inner is not None:
            model = inner
    return sorted(field.alias or name for name, field in model.model_fields.items())


def _inner(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := _inner(a)) is not None), None)
