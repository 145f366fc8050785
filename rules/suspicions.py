"""Findings before they have ids: one shape for every stage that suspects something."""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd

from rules import tables
from rules.codes.findings import FINDINGS

FOUND: tables.Columns = {
    name: kind
    for name, kind in tables.FINDINGS.items()
    if name != "finding_id"
} | {
    "dump_sha256": "text", "wavelength_nm": "int", "first_order": "int", "last_order": "int",
    "meter_serial": "text", "cable": "text", "sheet_id": "text",
}  # fmt: skip
"""FINDINGS without its id (`question_id` only where a stage has asked itself), and the scope in
which to look for the readings concerned: the reading itself where it is named, else what run,
wavelength (0: all), orders (0: all), dump and meter select together; nothing at all is the job.
`cable` is what questions are gathered by; it and `sheet_id` say of a finding about no reading
whose it is (`rules.division`)."""

ABSENT = {name: 0 if kind == "int" else "" for name, kind in FOUND.items()}
"""What a finding says of a column that its check leaves out."""


@cache
def none() -> pd.DataFrame:
    """Return the table FOUND without rows; one for all, never changed."""
    return tables.empty(FOUND)


def found(code: str, **columns: Any) -> pd.DataFrame:
    """Make findings of one code; each column is one value or a value per finding.

    `severity` and `remedy` are the code's own unless given.
    """
    known = FINDINGS[code]
    given = {"code": code, "severity": known.severity, "remedy": known.remedy} | columns
    rows = max((len(v) for v in given.values() if pd.api.types.is_list_like(v)), default=1)
    if not rows:
        return none()
    columns = ABSENT | {k: v.array if isinstance(v, pd.Series) else v for k, v in given.items()}
    return tables.conform(pd.DataFrame(columns, index=pd.RangeIndex(rows)), FOUND)


def join(*parts: pd.DataFrame) -> pd.DataFrame:
    """Put findings of several stages (FOUND or FINDINGS) into one table FOUND."""
    filled = [tables.conform(part, FOUND) for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else none()
