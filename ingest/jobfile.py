"""job.toml: read it strictly into `rules.settings.Settings`, and write it with comments.

Every default is the one of `rules.settings`; this module adds what is allowed.
"""

from __future__ import annotations

import difflib
import tomllib
from datetime import date
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from ingest.errors import BadInput
from rules import settings as rules_settings
from rules.codes import CORD_GRADES, GRADES

FORMAT = 1
"""Format of the job folder. Newer ones are refused, older ones are upgraded after a backup."""

_D = rules_settings.Settings()


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        raise ValueError('the name of a time zone such as "Europe/Paris" or "UTC"') from None
    return name


def _day(text: str) -> str:
    if text:
        try:
            date.fromisoformat(text)
        except ValueError:
            raise ValueError('a day such as "2026-03-31", or "" if unknown') from None
    return text


_VERDICTS = GRADES[: GRADES.index("fail") + 1]
"""Grades that can count as accepted: a value was compared with a limit."""


def _grade(name: str) -> str:
    if name not in _VERDICTS:
        raise ValueError("one of " + ", ".join(_VERDICTS))
    return name


def _as_text(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else value


Zone = Annotated[str, AfterValidator(_zone)]
Grade = Annotated[str, AfterValidator(_grade)]
Day = Annotated[str, AfterValidator(_day)]
Hours = Annotated[float, Field(ge=0, le=24 * 365)]
Decibel = Annotated[float, Field(ge=0, le=60)]
Nanometres = Annotated[int, Field(ge=600, le=1700)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Window(_Table):
    """`[[windows]]`: stored wavelengths that count as a nominal one."""

    nominal_nm: Nanometres
    low_nm: Nanometres
    high_nm: Nanometres
    mode: Literal["multimode", "single-mode", "any"]

    @model_validator(mode="after")
    def _ordered(self) -> Window:
        if not self.low_nm <= self.nominal_nm <= self.high_nm:
            raise ValueError("low_nm <= nominal_nm <= high_nm")
        return self


class Instrument(_Table):
    """`[[instruments]]`: meters and sources of this job."""

    serial: Annotated[str, Field(min_length=1)]
    kind: Literal["meter", "source", "set"]
    name: str = ""
    calibrated_on: Day = ""
    due: Day = ""
    uncertainty_db: Decibel | None = None
    minimum_dbm: Annotated[float, Field(ge=-120, le=40)] | None = None
    maximum_dbm: Annotated[float, Field(ge=-120, le=40)] | None = None
    wavelengths_nm: tuple[Nanometres, ...] = ()


class Cords(_Table):
    """`[cords]`: defaults, printed as assumed."""

    grade: Literal[CORD_GRADES] = _D.cords.grade  # type: ignore[valid-type]
    reference_method: Annotated[int, Field(ge=0, le=3)] = _D.cords.reference_method


class References(_Table):
    """`[references]`: when a reference stops being evidence."""

    evidence: Literal["check", "stop"] = _D.references.evidence  # type: ignore[assignment]
    warn_hours: Hours = _D.references.warn_hours
    stop_hours: Hours = _D.references.stop_hours
    drift_warn_db: Decibel = _D.references.drift_warn_db
    drift_stop_db: Decibel = _D.references.drift_stop_db
    agreement_db: Decibel = _D.references.agreement_db

    @model_validator(mode="after")
    def _ordered(self) -> References:
        if self.warn_hours > self.stop_hours:
            raise ValueError("warn_hours <= stop_hours")
        if self.drift_warn_db > self.drift_stop_db:
            raise ValueError("drift_warn_db <= drift_stop_db")
        return self


class Uncertainty(_Table):
    """`[uncertainty]`: standard uncertainties in dB."""

    source_drift_db: Decibel = _D.uncertainty.source_drift_db
    meter_linearity_db: Decibel = _D.uncertainty.meter_linearity_db
    mating_single_mode_db: Decibel = _D.uncertainty.mating_single_mode_db
    mating_multimode_db: Decibel = _D.uncertainty.mating_multimode_db
    mating_standard_factor: Annotated[float, Field(ge=1, le=5)] = (
        _D.uncertainty.mating_standard_factor
    )
    launch_multimode_db: Decibel = _D.uncertainty.launch_multimode_db
    launch_single_mode_db: Decibel = _D.uncertainty.launch_single_mode_db
    resolution_db: Decibel = _D.uncertainty.resolution_db
    calibration_db: Decibel = _D.uncertainty.calibration_db


class Port(_Table):
    """`[[ports]]`: a serial line that `watch` serves."""

    port: Annotated[str, Field(min_length=1)]
    """The port, such as COM3 or /dev/ttyUSB0."""
    profile: str = ""
    """Profile that reads its captures and holds the talk; empty: whichever claims them."""
    speed: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """Bits per second."""
    bits: Literal[5, 6, 7, 8] = 8
    """Data bits of a character."""
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    """Parity bit of a character."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits of a character."""
    flow: Literal["none", "hardware", "software"] = "none"
    """Who may ask for a pause: nobody, RTS and CTS, or XON and XOFF."""
    end_mark: str = ""
    """Text that ends a capture."""
    quiet_s: Annotated[float, Field(gt=0, le=3600)] = 3.0
    """Silence in seconds that ends a capture."""
    quiet_is_whole: bool = False
    """Whether silence is the agreed end; else such a capture is marked incomplete."""
    count: Annotated[int, Field(ge=0)] = 0
    """Lines that end a capture; 0: not counted."""


class JobFile(_Table):
    """All of job.toml."""

    format: int = FORMAT
    """Format of the job folder; leave it as it is."""
    name: Annotated[str, Field(min_length=1)]
    customer: str = _D.customer
    site: str = _D.site
    timezone: Zone = _D.timezone
    limits: tuple[str, ...] = _D.limits
    decision_rule: Literal["simple", "guarded"] = _D.decision_rule  # type: ignore[assignment]
    coverage_factor: Annotated[float, Field(ge=1, le=4)] = _D.coverage_factor
    guard_factor: Annotated[float, Field(ge=0, le=2)] = _D.guard_factor
    accepted_grades: Annotated[tuple[Grade, ...], Field(min_length=1)] = _D.accepted_grades
    directions: Literal["a-b", "b-a", "both"] = _D.directions  # type: ignore[assignment]
    direction_rule: Literal["each", "mean"] = _D.direction_rule  # type: ignore[assignment]
    budget_rule: Literal["also", "instead"] = _D.budget_rule  # type: ignore[assignment]
    deduction_rule: Literal["connection", "reference-mating"] = _D.deduction_rule  # type: ignore[assignment]
    pause_minutes: Annotated[float, Field(gt=0, le=24 * 60)] = _D.pause_minutes
    windows: Annotated[tuple[Window, ...], Field(min_length=1)] = tuple(
        Window(**vars(window)) for window in _D.windows
    )
    references: References = References()
    uncertainty: Uncertainty = Uncertainty()
    cords: Cords = Cords()
    instruments: tuple[Instrument, ...] = ()
    operators: tuple[str, ...] = ()
    started_on: Day = ""
    thresholds: dict[str, float] = Field(default_factory=dict)
    pairing_tolerance: Annotated[float, Field(gt=0, lt=0.5)] = _D.pairing_tolerance
    job_labels: tuple[str, ...] = _D.job_labels
    retest_suffixes: tuple[str, ...] = _D.retest_suffixes
    ports: tuple[Port, ...] = ()
    """Serial lines that `watch` serves."""
    settle_seconds: Annotated[float, Field(ge=0, le=600)] = 2.0
    """How long a file's size and time must stand still before it is taken."""

    @model_validator(mode="after")
    def _once(self) -> JobFile:
        serials = [instrument.serial for instrument in self.instruments]
        twice = sorted({serial for serial in serials if serials.count(serial) > 1})
        if twice:
            raise ValueError(f"each serial once in [[instruments]]; twice: {', '.join(twice)}")
        return self

    def settings(self) -> rules_settings.Settings:
        """Give what the rules see."""
        own = self.model_dump(exclude={"format", "ports", "settle_seconds"})
        return rules_settings.Settings(**own | {
            "windows": tuple(rules_settings.Window(**w) for w in own["windows"]),
            "references": rules_settings.ReferenceRules(**own["references"]),
            "uncertainty": rules_settings.Uncertainty(**own["uncertainty"]),
            "cords": rules_settings.Cords(**own["cords"]),
            "instruments": tuple(rules_settings.Instrument(**i) for i in own["instruments"]),
            "thresholds": tuple(sorted(own["thresholds"].items())),
        })  # fmt: skip


def read(text: str, name: str = "job.toml") -> JobFile:
    """Read the text of job.toml; raise BadInput with one line per problem."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{name}: not valid TOML: {error}.") from None
    found = content.get("format", FORMAT)
    if isinstance(found, int) and found > FORMAT:
        raise BadInput(
            f"{name}: format {found} is newer than this version reads ({FORMAT}); "
            "install a newer Glasstally."
        )
    try:
        return JobFile.model_validate(_for_strict(content))
    except ValidationError as error:
        found_all = error.errors()
        places = [part["loc"] for part in found_all]
        raise BadInput(*(
            _line(name, part, content) for part in found_all
            # an item that is wrong makes its list too short as well: said once
            if part["type"] != "too_short"
            or not any(place[: len(part["loc"])] == part["loc"] and place != part["loc"]
                       for place in places)
        )) from None  # fmt: skip


def _for_strict(value: Any) -> Any:
    """Make TOML values fit strict models: arrays to tuples, TOML days to text."""
    if isinstance(value, dict):
        return {key: _for_strict(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(_for_strict(item) for item in value)
    return _as_text(value)


def _line(name: str, part: Any, content: dict[str, Any]) -> str:
    """Word one validation error: the key, what was found, what is allowed."""
    place = part["loc"]
    key = _key(place)
    context = part.get("ctx", {})
    found = _found(part["input"])
    match part["type"]:
        case "extra_forbidden":
            known = sorted(_fields(place[:-1]))
            near = difflib.get_close_matches(str(place[-1]), known, 1)
            hint = f"did you mean {near[0]}? " if near else ""
            return f"{name}: {key}: unknown key; {hint}allowed: {', '.join(known)}."
        case "missing":
            return f"{name}: {key}: missing; allowed: {_wanted(part)}."
        case "literal_error":
            return f"{name}: {key}: found {found}; allowed: {context['expected']}."
        case "value_error":
            return f"{name}: {key or 'file'}: found {found}; allowed: {context['error']}."
        case _:
            return f"{name}: {key}: found {found}; allowed: {_wanted(part)}."


def _key(place: tuple[Any, ...]) -> str:
    """Write a place as in TOML: `references.warn_hours`, `instruments[2].serial`."""
    out = ""
    for step in place:
        out += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if out else str(step)
    return out


def _found(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    return "a table" if isinstance(value, dict) else str(value)


_WORDS = {
    "string_type": "text in quotes", "float_type": "a number", "int_type": "a whole number",
    "int_from_float": "a whole number", "tuple_type": "a list in square brackets",
    "dict_type": "a table", "model_type": "a table", "bool_type": "true or false",
    "string_too_short": "text that is not empty", "too_short": "at least one item",
    "missing": "a value", "finite_number": "a finite number",
}  # fmt: skip


def _wanted(part: Any) -> str:
    context = part.get("ctx", {})
    for bound, sign in (("ge", "≥"), ("gt", ">"), ("le", "≤"), ("lt", "<")):
        if bound in context:
            return f"a number {sign} {context[bound]:g}"
    return _WORDS.get(part["type"].removesuffix("_parsing"), str(part["msg"]).lower())


def _fields(place: tuple[Any, ...]) -> list[str]:
    """List the keys that a table of job.toml knows."""
    tables: dict[str, type[BaseModel]] = {
        "windows": Window, "instruments": Instrument, "cords": Cords, "references": References,
        "uncertainty": Uncertainty, "ports": Port,
    }  # fmt: skip
    return list((tables[str(place[0])] if place else JobFile).model_fields)
