"""Limit sets: the coefficients and allowances of one edition, or an owner's own, as values.

The shipped sets live in `rules/data/limits/*.toml`, one file per edition of a standard; an own set
is a text of the same form.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rules import shipped
from rules.codes import FIBRE_TYPES

Mode = Literal["any", "multimode", "single-mode"]
Cords = Literal["any", "reference", "standard"]
Environment = Literal["any", "inside", "indoor-outdoor", "outside"]
Item = Literal["connection", "end", "splice", "reference-mating"]

CONFIDENCES = (
    "seen", "seen-secondhand", "derived", "memory-consistent", "memory", "memory-weak", "owner",
)  # fmt: skip
"""How sure a shipped value is, best first; `owner` marks the values of an own set."""
SURE = ("seen", "owner")
"""Confidences that need nobody's confirmation."""


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
    clause: str = ""
    confidence: Literal[
        "seen", "seen-secondhand", "derived", "memory-consistent", "memory", "memory-weak", "owner"
    ] = "owner"
    source: str = ""
    note: str = ""


class Attenuation(_Row):
    """Most attenuation per kilometre of cabled fibre; `specified` false: expressly none."""

    fibres: tuple[str, ...] = Field(strict=False, min_length=1)
    environment: Environment = "any"
    wavelengths_nm: tuple[int, ...] = Field(strict=False, min_length=1)
    db_per_km: float | None = Field(default=None, ge=0, le=100, strict=False)
    specified: bool = True


class Allowance(_Row):
    """Most loss of one connection, link end, splice or mating of two test cords.

    `end` is the connection of a link to a test cord of grade `cords`; `reference-mating` the mating
    of two test cords at the reference.
    """

    item: Item
    mode: Mode = "any"
    cords: Cords = "any"
    db: float = Field(ge=0, le=100, strict=False)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    format: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9.\-]{0,63}$")
    edition: str = Field(min_length=1)
    use: Literal["limit", "design"] = "limit"
    note: str = ""
    extends: str = ""
    attenuation: tuple[Attenuation, ...] = Field(default=(), strict=False)
    allowance: tuple[Allowance, ...] = Field(default=(), strict=False)


@dataclass(frozen=True)
class LimitSet:
    """One named set: what it is called, where it comes from, and its rows in order of weight.

    `digest` changes with every value; a confirmation names it and so does not outlive a change.
    """

    name: str
    edition: str
    use: str
    """`limit`, or `design` for planning values that nothing is graded against."""
    note: str
    own: bool
    digest: str
    attenuation: tuple[Attenuation, ...]
    allowances: tuple[Allowance, ...]

    def coefficient(self, fibre: str, environment: str, wavelength_nm: int) -> Attenuation | str:
        """Return the row for a fibre type, environment and wavelength, or why there is none.

        An empty environment fits only where the set does not distinguish environments.
        """
        rows = [r for r in self.attenuation if fibre in r.fibres]
        if not rows:
            return f"{self.edition} does not specify {fibre or 'a link without fibre type'}"
        rows = [r for r in rows if wavelength_nm in r.wavelengths_nm]
        if not rows or not all(r.specified and r.db_per_km is not None for r in rows):
            return f"{self.edition} does not specify {fibre} at {wavelength_nm} nm"
        for row in rows:
            if row.environment in ("any", environment):
                return row
        if not environment:
            return f"{self.edition} needs the environment of {fibre} cable; the plan names none"
        return f"{self.edition} does not specify {fibre} {environment} at {wavelength_nm} nm"

    def allowance(self, item: str, mode: str, cords: str) -> Allowance | str:
        """Return the row for an item, mode and grade of test cords, or why there is none.

        Where the grade is unknown, a row is returned only if every grade has the same value.
        """
        rows = [a for a in self.allowances if a.item == item and a.mode in ("any", mode)]
        if not rows:
            return f"{self.edition} gives no value for a {item.replace('-', ' ')} ({mode})"
        for row in rows:
            if row.cords in ("any", cords):
                return row
        if not cords and len({row.db for row in rows}) > 1:
            return "the grade of the test cords is unknown"
        if not cords:
            return rows[0]
        return (
            f"{self.edition} gives no {item.replace('-', ' ')} value for {cords}-grade test cords"
        )


Sets = Mapping[str, LimitSet]


class LimitSetError(ValueError):
    """An own set that cannot be used; one line per mistake, with key, found and allowed."""


@cache
def load() -> dict[str, LimitSet]:
    """Return the shipped sets by name, in alphabetical order."""
    found = {}
    for file_name, text in shipped.texts("limits").items():
        limit_set = replace(read_set(text), own=False)
        if f"{limit_set.name}.toml" != file_name:
            raise LimitSetError(f"{file_name}: holds the set {limit_set.name}")
        found[limit_set.name] = limit_set
    return found


def read_set(text: str, known: Sets | None = None) -> LimitSet:
    """Read a set from TOML; `known` are the sets that it may extend.

    A set that extends another takes over its rows and puts its own before them.
    Raise LimitSetError with one line per mistake.
    """
    try:
        file = _File.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise LimitSetError(f"not TOML: {error}") from None
    except ValidationError as error:
        raise LimitSetError("\n".join(_line(e) for e in error.errors())) from None  # type: ignore[arg-type]
    _check(file)
    attenuation, allowances = file.attenuation, file.allowance
    if file.extends:
        base = (known or {}).get(file.extends)
        if base is None:
            allowed = ", ".join(known or {}) or "none are known here"
            raise LimitSetError(f"extends: found {file.extends!r}; allowed: {allowed}")
        attenuation, allowances = attenuation + base.attenuation, allowances + base.allowances
    digest = hashlib.sha256(repr((attenuation, allowances)).encode()).hexdigest()[:16]
    return LimitSet(
        file.name, file.edition, file.use, file.note, True, digest, attenuation, allowances
    )


def _line(error: dict[str, object]) -> str:
    place = error["loc"]
    assert isinstance(place, tuple)
    key = "".join(f"[{p + 1}]" if isinstance(p, int) else f".{p}" for p in place).lstrip(".")
    found = error.get("input")
    shown = f"; found {found!r}" if isinstance(found, str | int | float | bool) else ""
    reasons = {
        "extra_forbidden": "is not a key of a limit set",
        "missing": "is missing",
        "string_pattern_mismatch": "must be lower-case letters, digits, dots and hyphens",
    }
    message = reasons.get(
        str(error["type"]), str(error["msg"]).replace("Input should be", "must be")
    )
    return f"{key}: {message}{shown}"


def _check(file: _File) -> None:
    """Refuse what the types allow but no reader could mean."""
    wrong = []
    for number, row in enumerate(file.attenuation, 1):
        unknown = [f for f in row.fibres if f not in FIBRE_TYPES]
        if unknown:
            wrong.append(
                f"attenuation[{number}].fibres: found {', '.join(unknown)};"
                f" allowed: {', '.join(FIBRE_TYPES)}"
            )
        if row.specified == (row.db_per_km is None):
            wrong.append(f"attenuation[{number}]: give db_per_km, or specified = false without it")
        if not all(400 <= nm <= 2000 for nm in row.wavelengths_nm):
            wrong.append(f"attenuation[{number}].wavelengths_nm: must be nominal nanometres")
    if wrong:
        raise LimitSetError("\n".join(wrong))
