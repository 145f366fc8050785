"""Value columns of a sample: what they measure, in which unit, sign and words for states."""

from __future__ import annotations

import re
import statistics
from dataclasses import dataclass, field

from parsers import draft_clocks, draft_words, numbers
from parsers.profile_parts import Numbers

_UNIT = re.compile(r"(?<![A-Za-zµμ])(dBm|dB|[munpµμ]?W)(?![A-Za-z])", re.IGNORECASE)


@dataclass
class Column:
    """One column of a sample and what a draft makes of it."""

    title: str
    cells: list[str]
    kind: str = ""
    """A field's name, `value`, or empty."""
    quantity: str = ""
    unit: str = ""
    wavelength_nm: int = 0
    negated: bool = False
    words: dict[str, str] = field(default_factory=dict)
    states: dict[str, list[str]] = field(default_factory=dict)
    form: draft_clocks.Form | None = None
    doubts: list[str] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)

    @property
    def filled(self) -> list[str]:
        """Return the cells that are not blank."""
        return [cell for cell in self.cells if cell]


def unit(text: str) -> str:
    """Return the unit of a level or a loss that a title or a cell names, else empty."""
    found = _UNIT.search(text)
    return (numbers.unit_of(found[1]) or numbers.unit_of(found[1].lower())) if found else ""


def settle(columns: list[Column], rules: Numbers) -> list[str]:
    """Settle quantity, unit, sign and states of the value columns."""
    out = []
    for column in [column for column in columns if column.kind == "value"]:
        words = [cell for cell in dict.fromkeys(column.filled)
                 if _value(cell, rules) is None]  # fmt: skip
        for word in words:
            said = draft_words.state(word)
            if numbers.unit_of(word):
                continue
            if said:
                column.states.setdefault(said, []).append(word)
            else:
                out.append(f"column '{column.title}': what does '{word}' mean? Until [states] "
                           "lists it, each such cell is a fault")  # fmt: skip
        read = [_value(cell, rules) for cell in column.filled]
        values = [value for value in read if value is not None]
        units = {numbers.unit_of(numbers.split_unit(cell)[1]) for cell in column.filled} - {""}
        if not column.unit and units:
            column.unit = units.pop() if len(units) == 1 else "in-cell"
        if not column.unit and any(other.kind == "unit" for other in columns):
            column.unit = "row"
            continue
        out += _quantity(column, values)
        decibels = column.unit in ("dB", "dBm", "")
        far = sorted({value for value in values if abs(value) > 90 and decibels})
        if far:
            out.append(f"column '{column.title}': is {far[0]:g} a value, or the meter's sign for "
                       "no light? List it under [states] if so")  # fmt: skip
    return out


def _value(cell: str, rules: Numbers) -> float | None:
    value = numbers.number(numbers.split_unit(cell)[0], rules, numbers.grammar(rules))
    return None if value != value else value


def _quantity(column: Column, values: list[float]) -> list[str]:
    """Settle what a value column measures, or say why that is open.

    Levels of a received light lie far below 0 dBm and losses above 0 dB; between 0 and -3 both are
    possible. Common practice, no source.
    """
    if column.unit in ("dBm", "in-cell") or column.unit.endswith("W"):
        column.quantity = column.quantity or "power"
        return _odd(column, values)
    if column.unit == "dB":
        column.quantity = column.quantity or "attenuation"
        return _odd(column, values)
    middle = statistics.median(values) if values else 0.0
    below = sum(value < 0 for value in values)
    span = f"{min(values):g} to {max(values):g}" if values else "nothing"
    if column.quantity:
        column.unit = "dB" if column.quantity == "attenuation" else "dBm"
        column.doubts.append(f"no unit is printed; {column.unit} is taken from the title")
        return _odd(column, values)
    if values and middle <= -3 and below >= 0.9 * len(values):
        column.quantity, column.unit = "power", "dBm"
        column.doubts.append(f"no unit is printed; values of {span} look like levels in dBm")
        return []
    if values and middle >= 0 and below <= 0.1 * len(values):
        column.quantity, column.unit = "attenuation", "dB"
        column.doubts.append(f"no unit is printed; values of {span} look like losses in dB")
        return []
    return [f"column '{column.title}': values of {span} may be levels in dBm or losses printed "
            "negative; give unit and quantity"]  # fmt: skip


def _odd(column: Column, values: list[float]) -> list[str]:
    """Note a loss printed negative, and values that their quantity cannot have."""
    below = sum(value < 0 for value in values)
    if column.quantity == "attenuation" and values and below > 0.9 * len(values):
        column.negated = True
        column.doubts.append("every loss is printed negative, so the sign is turned")
    if column.quantity != "attenuation" and column.unit == "dB":
        return [f"column '{column.title}' is a level by its title but in dB by its unit"]
    if column.quantity == "attenuation" and column.unit == "dBm":
        return [f"column '{column.title}' is a loss by its title but in dBm by its unit"]
    return []
