"""Thresholds of the checks: name, value, unit and where the value comes from."""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Threshold:
    """A number that a check compares with; a job overrides it by its name."""

    value: float
    unit: str
    meaning: str
    origin: str = PRACTICE


THRESHOLDS: dict[str, Threshold] = {}
