"""A new job.toml, with comments that say what each key means and what its default is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ingest.jobfile import FORMAT


@dataclass(frozen=True)
class Beginning:
    """What `Job.create` writes into a new job.toml."""

    name: str
    customer: str = ""
    site: str = ""
    timezone: str = "UTC"
    limits: tuple[str, ...] = ()
    decision_rule: str = "simple"


def template(beginning: Beginning, more: Mapping[str, Any] | None = None) -> str:
    """Write a commented job.toml; `more` holds further keys and tables as job.toml would.

    What `more` gives of the keys of `Beginning` replaces them.
    """
    more = dict(more or {})
    basic = {name: more.pop(name, value) for name, value in vars(beginning).items()}
    text = _TEMPLATE.format(format=FORMAT, **{name: _value(value) for name, value in basic.items()})
    plain = {k: v for k, v in more.items() if not _is_table(v)}
    blocks = [f"{key} = {_value(value)}" for key, value in plain.items()]
    for key, value in more.items():
        if isinstance(value, Mapping):
            blocks += ["", f"[{key}]", *(f"{k} = {_value(v)}" for k, v in value.items())]
        elif _is_table(value):
            for row in value:
                blocks += ["", f"[[{key}]]", *(f"{k} = {_value(v)}" for k, v in row.items())]
    return text + ("\n" + "\n".join(blocks) + "\n" if blocks else "")


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping) or (
        isinstance(value, list | tuple) and bool(value) and isinstance(value[0], Mapping)
    )


def _value(value: object) -> str:
    """Write a plain value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return _quoted(value) if isinstance(value, str) else repr(value)


def _quoted(text: str) -> str:
    """Write text as a TOML basic string."""
    out = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in out) + '"'


_TEMPLATE = """\
# Settings of this job. Every change is noticed by the next command and kept in the journal.
# A line that begins with # is a comment; the values in comments are the defaults.

format = {format}
name = {name}
customer = {customer}
site = {site}

# Zone of the meters' clocks: an IANA name.
timezone = {timezone}

# Limits that every link is graded against; the strictest decides. `glasstally limits list`.
limits = {limits}

# simple: pass or fail at the limit. guarded: only where agreed with the customer before
# measuring (ILAC-G8:09/2019, 4.2.1 and 4.2.3).
decision_rule = {decision_rule}
# coverage_factor = 2.0
# guard_factor = 1.0
# accepted_grades = ["pass"]            # guarded: perhaps also "conditional-pass"

# Directions that are planned where the plan sheet says nothing: a-b, b-a or both.
# directions = "a-b"
# direction_rule = "each"               # or "mean": grade the mean of both directions
# budget_rule = "also"                  # or "instead": a link's own budget replaces the limits
# deduction_rule = "connection"         # or "reference-mating"

# People trained for this job, and the first day on which a test can have been made.
# operators = []
# started_on = ""

# Rules for references. Values are common practice, no source.
# [references]
# evidence = "check"                    # "stop": a stored loss without evidence is not graded
# warn_hours = 4.0
# stop_hours = 12.0
# drift_warn_db = 0.10
# drift_stop_db = 0.20
# agreement_db = 0.02

# Test cords, only as a default where no run sheet says so; printed as assumed.
# [cords]
# grade = "reference"                   # or "standard"
# reference_method = 1                  # number of test cords when the reference was set: 1, 2, 3

# Meters and sources. One block each.
# [[instruments]]
# serial = "A-1001"
# kind = "meter"                        # or "source", or "set" (both in one case)
# calibrated_on = "2026-01-31"
# due = "2027-01-31"

# Serial lines that `glasstally watch` serves. One block each.
# [[ports]]
# port = "COM3"                         # or "/dev/ttyUSB0"
# speed = 9600
# profile = ""                          # empty: whichever profile claims the dump

# A file in the drop folder is taken when its size and time stood still this long.
# settle_seconds = 2.0
"""
