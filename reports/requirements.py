"""What an owner demands of a handover, as data: a closed TOML text, read strictly."""

from __future__ import annotations

import tomllib
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

FIELDS = (
    "cable", "building", "floor", "area", "a_end", "b_end", "tube", "strand", "pair",
    "fibre_type", "length_m", "connections", "splices", "taken_at", "operator", "meter_serial",
    "source_serial", "reference_dbm", "run_id", "reference_method", "people", "polarity",
)  # fmt: skip
"""What a profile can demand for every link or result."""

FILES = (
    "record", "workbook", "data", "originals", "journal", "certificates", "superseded",
    "retests", "sample", "links",
)  # fmt: skip
"""Kinds of files a set can hold; record, data and journal are in every set."""


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Set(_Part):
    """`[set]`: what the set holds and how it is laid out."""

    contractor: str = ""
    language: str = "en"
    paper: Literal["a4", "us-letter"] = "a4"
    length_unit: Literal["m", "ft"] = "m"
    files: Annotated[tuple[Literal[FILES], ...], Field(strict=False)] = (  # type: ignore[valid-type]
        "record", "workbook", "data", "originals", "journal", "certificates", "superseded",
        "retests", "sample",
    )  # fmt: skip
    folders: dict[str, Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,59}$")]] = {}
    """Folder of each kind of files; empty text or absent: the usual place."""


class Tests(_Part):
    """`[tests]`: how links are to be tested and judged."""

    directions: Literal["both", "any"] = "any"
    judged: Literal["each", "mean", "any"] = "any"
    list_mean: bool = False
    """Show the mean of both directions beside them, whatever is judged."""
    multimode_nm: Annotated[tuple[int, ...], Field(strict=False)] = ()
    single_mode_nm: Annotated[tuple[int, ...], Field(strict=False)] = ()
    reference_methods: Annotated[tuple[Literal[1, 2, 3], ...], Field(strict=False)] = ()
    decision_rule: Literal["simple", "guarded", "any"] = "any"
    complete: bool = True
    """No planned test may be open; a written waiver closes one."""
    waivers: bool = True
    """Whether written waivers are accepted."""
    at_most_db: float | None = None
    """No loss may exceed this, whatever the limit."""


class Instruments(_Part):
    """`[instruments]`: evidence of the meters and sources."""

    calibration_months: Annotated[int, Field(ge=0)] = 0
    certificates: bool = False


class People(_Part):
    """`[people]`: who may have tested."""

    trained: bool = False
    """Every tester stands in the job's list of trained people."""


class Limits(_Part):
    """`[limits]`: the limits that were applied."""

    confirmed: bool = True
    """No final issue while somebody has yet to compare the limits with the standard's own text;
    false only where the customer has agreed to that."""


class Due(_Part):
    """`[due]`: when the set is to be handed over; 0 days: no date."""

    days: Annotated[int, Field(ge=0)] = 0
    count: Literal["working", "calendar"] = "calendar"
    after: str = "last-test"
    """`last-test`, or an ISO date such as that of substantial completion."""


class Sample(_Part):
    """`[sample]`: the owner's own tests."""

    percent: Annotated[float, Field(gt=0, le=100, strict=False)] = 10.0
    seed: str = ""
    """Drawn by the owner; empty: the job head."""
    tolerance_db: Annotated[float, Field(ge=0, le=5, strict=False)] = 0.2
    """Most that a repeated loss may differ, same method and grade of cords (common practice)."""


class Requirement(_Part):
    """A whole profile."""

    format: Literal[1] = 1
    title: str = ""
    note: str = ""
    advisory: Annotated[tuple[str, ...], Field(strict=False)] = ()
    """Items that are reported but do not hold a final issue back."""
    set: Set = Set()
    tests: Tests = Tests()
    fields: Annotated[tuple[Literal[FIELDS], ...], Field(strict=False)] = ()  # type: ignore[valid-type]
    instruments: Instruments = Instruments()
    people: People = People()
    limits: Limits = Limits()
    due: Due = Due()
    sample: Sample = Sample()


class RequirementError(ValueError):
    """A profile that cannot be used; one line per mistake."""


def read(text: str) -> Requirement:
    """Read a profile; RequirementError with a line per mistake: key, found, allowed."""
    try:
        return Requirement.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise RequirementError(f"not TOML: {error}") from None
    except ValidationError as error:
        lines = []
        for one in error.errors():
            key = ".".join(str(part) for part in one["loc"])
            found = one.get("input")
            shown = f"; found {found!r}" if isinstance(found, str | int | float | bool) else ""
            lines.append(f"{key}: {one['msg'].lower()}{shown}")
        raise RequirementError("\n".join(lines)) from None
