"""The tables that rooms hand to each other: columns, types, order, rounding.

A column's kind is one of
  text   pandas `str`; absent is the empty string, never NaN
  few    text of which many rows share few: categories in the order of their texts, which read as
         texts; in what leaves the product it is `str`. Texts that are put together with others
         or compared with another column are made `str` first
  int    int64; absent is the number in `ABSENT` (0, or -1 for slots)
  float  float64; absent is NaN
  flag   bool
  when   datetime64[s], naive; absent is NaT
  json   text holding canonical JSON (lists and objects)

Column names are a contract with other people's scripts: they may be added, never renamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from rules import columns

Columns = Mapping[str, str]

ABSENT = {"slot": -1}
"""Absent value of an int column where it is not 0."""

LINKS: Columns = {
    "link_id": "text", "kind": "text", "cable": "text", "building": "text", "floor": "text",
    "area": "text", "route": "text", "a_end": "text", "b_end": "text", "tube": "text",
    "strand": "text", "pair": "text", "pair_position": "text", "fibre_type": "text",
    "environment": "text", "length_m": "float", "length_source": "text", "connections": "float",
    "splices": "float", "wavelengths": "text", "directions": "text", "limit": "text",
    "budget_db": "float", "budgets": "json", "budget_method": "text", "class": "text",
    "min_dbm": "float", "max_dbm": "float", "position": "int",
}  # fmt: skip
"""One row per link of one plan revision, in the order of the sheet (`position` from 1).

`wavelengths` is space-separated nanometres; `directions` is `a-b`, `b-a` or `both` (empty: the
job's default). `budgets` is `{"850": 2.1}` for columns such as `budget_850_db`."""

PLANNED: Columns = {
    "link_id": "few", "kind": "few", "wavelength_nm": "int", "direction": "few",
    "position": "int",
}  # fmt: skip
"""Planned tests: link x kind x wavelength x direction."""

EXTRACTED: Columns = {
    "line": "int", "column": "int", "record": "int", "slot": "int", "label": "text",
    "fibre_position": "int", "wavelength_nm": "int", "wavelength_printed": "text",
    "direction": "text", "quantity": "text", "power_dbm": "float", "reference_dbm": "float",
    "loss_db": "float", "length_m": "float", "length_source": "text", "state": "text",
    "value_printed": "text", "verdict": "text", "clock": "text", "taken_at": "when",
    "utc_offset_min": "float", "clock_resolution_s": "int", "clock_state": "text",
    "meter_serial": "text", "source_serial": "text", "operator": "text",
}  # fmt: skip
"""What a parser reads out of one dump: one row per record, wavelength, direction, fibre, quantity.

`line` is the 1-based physical line (or sheet row, or element) in the bytes, `column` the 1-based
character or cell of the value. `record` counts records from 1 within the dump. `taken_at` is the
meter's own clock without zone; `utc_offset_min` only where the dump prints an offset. `verdict` is
the meter's own (`pass`, `fail`, empty). A row that holds loss is `attenuation` even where power and
reference stand beside it; a row that holds power only is `power`; a stored reference is `reference`
with its value in `reference_dbm`."""

SHARED = (
    "wavelength_printed", "direction", "quantity", "length_source", "state", "verdict",
    "clock_state", "meter_serial", "source_serial", "operator",
)  # fmt: skip
"""Columns of EXTRACTED in which many rows have the same text."""

STORED: Columns = {
    "reading_id": "text", "dump_sha256": "few", "dump_name": "few", "arrived_at": "few",
    "parser": "few",
} | {name: "few" if name in SHARED else kind for name, kind in EXTRACTED.items()}  # fmt: skip
"""EXTRACTED as kept in the store. `arrived_at` is ISO UTC from the journal."""

READINGS: Columns = {
    "reading_id": "text", "dump_sha256": "few", "dump_name": "few", "line": "int",
    "record": "int", "slot": "int", "label": "text", "fibre_position": "int",
    "wavelength_nm": "int", "wavelength_printed": "few", "direction": "few", "quantity": "few",
    "power_dbm": "float", "reference_dbm": "float", "loss_db": "float", "length_m": "float",
    "length_source": "few", "state": "few", "clock": "text", "taken_at": "text",
    "taken_at_utc": "text", "clock_state": "few", "clock_resolution_s": "int",
    "order_basis": "few", "meter_serial": "few", "source_serial": "few", "operator": "few",
    "run_id": "few", "parser": "few", "duplicate_of": "text",
}  # fmt: skip
"""Readings as exported: STORED with what the rules found out (zone, run, direction, loss)."""

FAULTS: Columns = {
    "dump_sha256": "text", "dump_name": "text", "line": "int", "column": "int", "code": "text",
    "found": "text", "expected": "text", "remedy": "text",
}  # fmt: skip

ACCOUNTS: Columns = {
    "line": "int", "end_line": "int", "kind": "text", "why": "text",
}  # fmt: skip
"""Where every non-blank line (row, element) of a dump went; kind is `reading`, `fault`, `ignored`
or `context`. Inclusive spans, each line in exactly one."""

CONTEXT: Columns = {"line": "int", "key": "text", "value": "text"}
"""What a dump says of itself outside its readings: serials, method, cords, people."""

RUN_SHEETS: Columns = {
    "sheet_id": "text", "meter_serial": "text", "source_serial": "text", "people": "text",
    "meter_end": "text", "cords": "text", "cord_grade": "text", "reference_method": "int",
    "dump": "text", "first_slot": "int", "last_slot": "int", "started_at": "when",
    "ended_at": "when", "notes": "text",
}  # fmt: skip
"""What the crew's paper says of a run. `meter_end` is `a` or `b` (direction is from the other end
to it). `reference_method` is the number of test cords (1, 2, 3; 0 unknown). `dump` is a file name
or a hash prefix; a sheet applies to the readings of its meter inside whatever it gives of dump,
slots and times."""

SHEET_CHECKS: Columns = {
    "sheet_id": "text", "kind": "text", "wavelength_nm": "int", "at": "when",
    "power_dbm": "float", "loss_db": "float",
}  # fmt: skip
"""References and checks written on a sheet: kind is `reference` (power_dbm), `closing` (loss_db
against that reference, or power_dbm) or `cord` (loss_db of cord to cord)."""

RUNS: Columns = {
    "run_id": "text", "meter_serial": "text", "source_serial": "text", "people": "text",
    "meter_end": "text", "cords": "text", "cord_grade": "text", "reference_method": "int",
    "started_at": "text", "ended_at": "text", "readings": "int", "assumed": "text",
    "sheet_id": "text",
}  # fmt: skip

PAIRS: Columns = {
    "reading_id": "text", "link_id": "few", "kind": "few", "wavelength_nm": "int",
    "direction": "few", "status": "few", "how": "few", "confidence": "float", "reason": "few",
}  # fmt: skip

FINDINGS: Columns = {
    "finding_id": "text", "code": "text", "severity": "text", "subject": "text",
    "link_id": "text", "run_id": "text", "reading_id": "text", "message": "text",
    "remedy": "text", "question_id": "text",
}  # fmt: skip
"""`subject` says in words what it is about (`link 1A.07`, `run R3 at 1310 nm`, `job`)."""

QUESTIONS: Columns = {
    "question_id": "text", "code": "text", "message": "text", "proposal": "text",
    "readings": "int", "state": "text", "weight": "float", "reading_ids": "json",
    "options": "json", "evidence": "json",
}  # fmt: skip
"""One cause a person must settle. `proposal` is one action in words; `options` a list of
`{"action", "link_id" | "shift" | …, "label", "confidence"}` with the proposed one first; `evidence`
a list of `{"term", "weight", "text"}`."""

ANSWERS: Columns = {
    "answer_id": "text", "question_id": "text", "action": "text", "reading_ids": "json",
    "link_ids": "json", "argument": "text", "who": "text", "at": "text", "why": "text",
}  # fmt: skip
"""What people decided, oldest first; an undone answer is not in this table. `reading_ids` and
`link_ids` run in parallel where the action places readings. action is one of `place`, `direction`,
`outside-plan`, `leave-out`, `accept-value`, `retest`, `ask-crew`, `alias`."""

ACTS: Columns = {
    "act_id": "text", "kind": "text", "subject": "text", "scope": "text", "argument": "text",
    "who": "text", "at": "text", "why": "text",
}  # fmt: skip
"""Other journalled decisions: kind is `note`, `repair`, `waiver`, `release`, `confirm-limit`."""

GRADES: Columns = {
    "link_id": "few", "kind": "few", "wavelength_nm": "int", "direction": "few",
    "reading_ids": "json", "loss_db": "float", "power_dbm": "float", "limit_db": "float",
    "margin_db": "float", "uncertainty_db": "float", "p_conform": "float", "grade": "few",
    "marginal": "flag", "limit_name": "few", "clause": "few", "limit_confirmed": "flag",
    "min_db": "float", "min_dbm": "float", "max_dbm": "float", "limits": "few", "why": "few",
    "reference_method": "int", "cord_grade": "few", "fibre_type": "few",
}  # fmt: skip
"""One row per graded result: the current one of each planned test and, with grade `superseded`,
those that a newer reading replaced.

The limit shown is the one that decides (the smallest margin); `limits` lists all of them where
there are several, as `{"limit_name", "limit_db", "margin_db", "grade"}` and `why_not` where one has
no value. `min_db`, `min_dbm`, `max_dbm` are the other bounds of kinds that have them. `why` says
in words why there is no verdict."""

LIMIT_ROWS: Columns = {
    "link_id": "few", "wavelength_nm": "int", "reference_method": "int", "cord_grade": "few",
    "limit_name": "few", "limit_db": "float", "clause": "few", "limit_confirmed": "flag",
    "terms": "few", "why_not": "few", "kind": "few", "fibre_type": "few", "min_db": "float",
    "min_dbm": "float", "max_dbm": "float", "fibre_position": "int",
}  # fmt: skip
"""A limit for a link, wavelength, method and cord grade; NaN with `why_not` where it has none.

`limit_db` is the most attenuation allowed, `min_db` the least (access networks); `min_dbm` and
`max_dbm` are the window of an absolute power; `fibre_position` is where the light of a pair must
arrive (polarity). `terms` is the sum term by term, a list of
`{"term", "count", "each_db", "db", "clause", "confidence"}`."""

COMPLETION: Columns = {
    "scope": "text", "name": "text", "planned": "int", "measured": "int", "accepted": "int",
    "failed": "int", "doubtful": "int", "no_limit": "int", "blocked": "int", "waived": "int",
    "links_planned": "int", "links_ready": "int", "percent": "int",
}  # fmt: skip

TEST_STATES: Columns = {
    "link_id": "few", "kind": "few", "wavelength_nm": "int", "direction": "few",
    "position": "int", "state": "few", "why": "few", "reading_id": "text", "grade": "few",
}  # fmt: skip
"""One row per planned test; state is `accepted`, `failed`, `doubtful`, `no-limit`, `missing`,
`blocked` or `waived`."""

RETESTS: Columns = {
    "building": "text", "floor": "text", "panel": "text", "port": "text", "link_id": "text",
    "far_end": "text", "wavelength_nm": "int", "direction": "text", "why": "text", "what": "text",
    "position": "int",
}  # fmt: skip

BALANCE: Columns = {
    "dump_sha256": "text", "dump_name": "text", "read": "int", "paired": "int", "question": "int",
    "outside_plan": "int", "duplicate": "int", "reference": "int", "left_out": "int",
    "refused": "int", "doubtful": "int",
}  # fmt: skip
"""read = paired + question + outside_plan + duplicate + reference + left_out + refused."""

KEYS: Mapping[str, tuple[str, ...]] = {
    "readings": ("dump_sha256", "line", "record", "reading_id"),
    "faults": ("dump_sha256", "line", "column", "code"),
    "runs": ("run_id",),
    "pairs": ("reading_id",),
    "findings": ("finding_id",),
    "questions": ("question_id",),
    "grades": ("link_id", "kind", "wavelength_nm", "direction", "limit_name", "reading_ids"),
    "completion": ("scope", "name"),
}
"""Row order of the canonical export of each public table."""

PUBLIC: Mapping[str, Columns] = {
    "readings": READINGS, "faults": FAULTS, "runs": RUNS, "pairs": PAIRS, "findings": FINDINGS,
    "questions": QUESTIONS, "grades": GRADES, "completion": COMPLETION,
}  # fmt: skip
"""Tables that `export` offers; the columns are a contract."""

DECIMALS = {"confidence": 6, "p_conform": 6, "weight": 3, "length_m": 3}
"""Rounding of the canonical export per float column; every other float: 3 (0.001 dB)."""

DTYPES: Mapping[str, Any] = {
    "text": "str", "json": "str", "int": "int64", "float": "float64", "flag": "bool",
    "when": "datetime64[s]", "few": pd.CategoricalDtype(pd.Index([], dtype="str"), ordered=True),
}  # fmt: skip
TEXTS = ("text", "few", "json")
"""Kinds that hold text."""
PROPER = {kind: pd.Series(dtype=name).dtype for kind, name in DTYPES.items()}
"""DTYPES as pandas holds them: quicker to compare with."""


def empty(columns: Columns) -> pd.DataFrame:
    """Make a table without rows whose columns have the contract's types."""
    return _empty(tuple(columns.items())).copy()


@cache
def _empty(columns: tuple[tuple[str, str], ...]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=DTYPES[kind]) for name, kind in columns})


def conform(frame: pd.DataFrame, contract: Columns) -> pd.DataFrame:
    """Return `frame` with exactly the contract's columns, in its order and of its types.

    Missing columns are filled with the absent value; columns of other names are dropped.
    """
    types = dict(zip(frame.columns, frame.dtypes, strict=True))
    made: dict[str, Any] = {}
    for name, kind in contract.items():
        if name not in types:
            made[name] = _absent(kind, ABSENT.get(name, 0)).take(np.zeros(len(frame), "int64"))
            continue
        fits = columns.is_few(types[name]) if kind == "few" else types[name] == PROPER[kind]
        if not fits or (kind in TEXTS and frame[name].array.isna().any()):
            made[name] = _fitted(frame[name], kind, ABSENT.get(name, 0)).array
    if not made and list(types) == list(contract):
        return frame.reset_index(drop=True)
    # columns are never written into: sharing them saves a copy of the table
    arrays = {n: made[n] if n in made else frame[n].array for n in contract}
    return pd.DataFrame(arrays, copy=False)


def _fitted(column: Any, kind: str, number: int) -> Any:
    """Return a column as one of another kind; `number` stands for what is absent of kind int."""
    if kind == "few":
        return columns.to_few(column)
    if kind in TEXTS:
        few = columns.is_few(column.dtype)
        return columns.spelled(column) if few else column.astype("str").fillna("")
    if kind == "int":
        return column.fillna(number).astype("int64")
    if kind == "flag":
        return column.fillna(False).astype("bool")
    return column.astype(DTYPES[kind])


@cache
def _absent(kind: str, number: int) -> Any:
    """Return one absent value as a column; `number` stands for one of kind int."""
    fill = {"text": "", "few": "", "json": "", "int": number, "float": float("nan"),
            "flag": False, "when": pd.NaT}[kind]  # fmt: skip
    column = pd.Series([fill], dtype="str" if kind == "few" else DTYPES[kind])
    return (columns.to_few(column) if kind == "few" else column).array


def spelled(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table whose columns of kind `few` are plain text."""
    shared = [name for name, kind in frame.dtypes.items() if columns.is_few(kind)]
    return frame.assign(**{str(name): columns.spelled(frame[name]) for name in shared})


def canonical(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a public table as exported: contract columns, rows by key, values rounded."""
    out = spelled(conform(frame, PUBLIC[table]))
    for name, kind in PUBLIC[table].items():
        if kind == "float":
            # adding 0.0 turns -0.0 into 0.0, which would print differently
            out[name] = out[name].round(DECIMALS.get(name, 3)) + 0.0
    key = list(KEYS[table])
    if _in_order(out[key]):
        return out
    return out.sort_values(key, kind="stable", ignore_index=True)


def _in_order(keys: pd.DataFrame) -> bool:
    """Tell whether rows are sorted by all columns, the first one first."""
    settled = np.zeros(max(len(keys) - 1, 0), dtype="bool")
    for name in keys:
        before, after = keys[name].array[:-1], keys[name].array[1:]
        if bool((np.asarray(after < before, dtype="bool") & ~settled).any()):
            return False
        settled |= np.asarray(after > before, dtype="bool")
    return True
