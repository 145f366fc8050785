"""The one path from raw cells to readings, whatever the layout: whole columns at a time."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import numbers, wavelengths
from parsers.columns import texts
from parsers.fields import Fields, located
from parsers.numbers import BLANK, MILLIWATTS, STATES, UNREADABLE
from parsers.profile import Profile
from parsers.profile_parts import ValueRule
from parsers.raw import Fault, Raw, Rows
from rules import tables

QUANTITIES = ("attenuation", "power", "reference")
UNITS = ("dB", "dBm", *MILLIWATTS)
_WITH_ROW = {**tables.EXTRACTED, "table": "int", "row": "int"}


class Made(NamedTuple):
    """Readings (EXTRACTED, with `table` and `row`: which row of which `Rows`), and the rest."""

    readings: pd.DataFrame
    faults: list[Fault]
    questions: list[tuple[str, str]]


def make(profile: Profile, raw: Raw) -> Made:
    """Turn every row of every table into readings, faults and questions."""
    faults: list[Fault] = []
    questions: list[tuple[str, str]] = []
    parts = []
    for number, rows in enumerate(raw.rows):
        fields = Fields(profile, rows, raw, faults)
        part = _of_table(fields)
        questions += fields.questions
        part["table"], part["joins"] = number, bool(rows.table.record)
        parts += [part] if len(part) else []
    if not parts:
        return Made(tables.empty(_WITH_ROW), faults, questions)
    whole = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    keys = whole["line"].to_numpy()
    if (np.diff(keys) < 0).any():
        whole = whole.iloc[np.argsort(keys, kind="stable")].reset_index(drop=True)
    whole["record"] = _records(whole)
    return Made(tables.conform(whole, _WITH_ROW), faults, list(dict.fromkeys(questions)))


def _of_table(fields: Fields) -> pd.DataFrame:
    """Make the readings of one table, in order of rows."""
    rows, faults = fields.rows, fields.faults
    common = fields.common()
    run = _runs(fields)
    quantity, untold = fields.words("quantity", QUANTITIES)
    units, _ = fields.words("unit", UNITS)
    own = fields.wavelength()
    groups: dict[tuple[int | None, int | None, str | None], list[ValueRule]] = {}
    for value in rows.table.values:
        key = (value.wavelength_nm, value.fibre_position, value.direction)
        groups.setdefault(key, []).append(value)
    parts = []
    valued, lit = np.zeros(len(rows), np.bool_), np.ones(len(rows), np.bool_)
    for (nanometres, position, direction), values in groups.items():
        part, there = _combine(fields, values, quantity, units)
        valued |= there
        there &= ~untold
        part |= common
        part |= {"run": run, "row": np.arange(len(rows))}
        if nanometres is None:
            lit &= ~there | (own > 0)
            there &= own > 0
            part |= {"wavelength_nm": own, "wavelength_printed": fields.text("wavelength")}
        else:
            part |= {"wavelength_nm": wavelengths.nominal(nanometres),
                     "wavelength_printed": str(nanometres)}  # fmt: skip
        if position is not None:
            part["fibre_position"] = position
        if direction is not None:
            part["direction"] = direction
        reference = part["reference_dbm"]
        held = fields.carried_reference(np.broadcast_to(part["wavelength_nm"], len(rows)))
        part["reference_dbm"] = np.where(np.isnan(reference), held, reference)
        frame = pd.DataFrame(part, copy=False)
        parts.append(frame if there.all() else frame[there])
    fields.fault("wavelength", ~lit, fields.text("wavelength"), "wavelength-unreadable",
                 "a wavelength of 600 to 1700 nm")  # fmt: skip
    faults += _without_value(rows, ~valued)
    if len(parts) == 1:
        return parts[0].reset_index(drop=True)
    whole = pd.concat(parts, ignore_index=True)
    return whole.iloc[np.argsort(whole["row"].to_numpy(), kind="stable")].reset_index(drop=True)


def _without_value(rows: Rows, empty: NDArray[np.bool_]) -> list[Fault]:
    if not empty.any():
        return []
    few = rows.cells.iloc[np.flatnonzero(empty)]
    joined = [" | ".join(cells) for cells in few.itertuples(index=False)]
    shown = texts([*joined, ""], np.where(empty, np.cumsum(empty) - 1, -1))
    columns = ", ".join(repr(value.column) for value in rows.table.values)
    return located(rows, "", empty, shown, "value-missing", f"a value under {columns}")


class _Cells(NamedTuple):
    """What one quantity has in each row."""

    number: NDArray[np.float64]
    state: NDArray[np.int8]
    printed: pd.Series
    place: NDArray[np.int64]
    line: NDArray[np.int64]


def _combine(
    fields: Fields,
    values: list[ValueRule],
    quantity: NDArray[np.int8],
    units: NDArray[np.int8],
) -> tuple[dict[str, Any], NDArray[np.bool_]]:
    """Merge the values of one wavelength, fibre and direction into one reading per row.

    Loss makes it `attenuation` even where level and reference stand beside it; else a level makes
    it `power`; else a stored reference `reference`.
    """
    rows = fields.rows
    size = len(rows)
    found: dict[int, _Cells] = {}
    for value in values:
        cells = rows.cells[value.column]
        read = _measured(fields, cells, value, units)
        if value.quantity is None:
            kind = np.where(quantity >= 0, quantity, np.where(read.level, 1, 0))
        else:
            kind = np.full(size, QUANTITIES.index(value.quantity))
        place = np.broadcast_to(np.asarray(rows.places.get(value.column, 0)), size)
        line = rows.lines.get(value.column, rows.first)
        for index in _present(kind):
            mine = (kind == index) & (read.state != BLANK)
            new = _Cells(read.number, read.state, cells, place, line)
            if mine.all() or index not in found:
                state = np.where(mine, read.state, np.int8(BLANK))
                found[index] = new._replace(state=state, number=np.where(mine, new.number, np.nan))
            elif mine.any():
                old = found[index]
                found[index] = _Cells(
                    np.where(mine, new.number, old.number),
                    np.where(mine, new.state, old.state),
                    new.printed.where(mine, old.printed),
                    np.where(mine, new.place, old.place),
                    np.where(mine, new.line, old.line),
                )
    return _reading(found, rows)


def _present(kind: NDArray[Any]) -> list[int]:
    return [index for index in range(len(QUANTITIES)) if bool((kind == index).any())]


def _measured(
    fields: Fields, cells: pd.Series, value: ValueRule, units: NDArray[np.int8]
) -> numbers.Measured:
    """Read one value column and note its unreadable cells."""
    profile, rows = fields.profile, fields.rows
    words = {word: state for state, listed in profile.states.items() for word in listed}
    words |= {word: state for state, listed in value.states.items() for word in listed}
    own = texts([*UNITS, ""], units) if value.unit is None else None
    read = numbers.measure(cells, profile.numbers, value.unit or "", words, value.negated, own)
    if value.blank != "nothing":
        blank = read.state == BLANK
        read.state[blank] = STATES.index("not-measured")
        if value.blank == "fault":
            fields.faults += located(rows, value.column, blank, cells, "value-missing", "a value")
    bad = read.state == UNREADABLE
    if bad.any():
        mark = profile.numbers.decimal_mark
        unit = "with its unit" if value.unit in (None, "in-cell") else f"in {value.unit}"
        expected = f"a number with '{mark}' as decimal mark, {unit}"
        for code, where in (
            ("unit-unknown", bad & read.wrong_unit),
            ("number-unreadable", bad & ~read.wrong_unit),
        ):
            fields.faults += located(rows, value.column, where, cells, code, expected)
    return read


def _reading(found: dict[int, _Cells], rows: Rows) -> tuple[dict[str, Any], NDArray[np.bool_]]:
    """Settle for each row which quantity its reading has, its state and what was printed."""
    size = len(rows)
    nothing = _Cells(np.full(size, np.nan), np.full(size, BLANK, np.int8),
                     texts([""], np.zeros(size, np.int8)), np.zeros(size, np.int64),
                     rows.first)  # fmt: skip
    loss, power, reference = (found.get(index, nothing) for index in range(3))
    # a level with a word in place of the loss (nothing was zeroed) is a power reading
    as_power = (power.state != BLANK) & (loss.state != 0)
    as_power &= (power.state == 0) | (loss.state == BLANK)
    as_loss = (loss.state != BLANK) & ~as_power
    as_reference = (reference.state != BLANK) & ~as_loss & ~as_power
    # a loss beside a level without light is the meter's arithmetic, not a measurement
    by_level = as_loss & (power.state > loss.state)
    shows = np.select([as_power | by_level, as_loss], [1, 0], 2)
    main = [loss, power, reference]
    state = np.choose(shows, [cells.state for cells in main])
    quantity = np.select([as_loss, as_power], [0, 1], 2)
    printed = main[2].printed
    for index in (1, 0):
        mine = shows == index
        printed = main[index].printed if mine.all() else main[index].printed.where(mine, printed)
    return {
        "line": np.choose(shows, [cells.line for cells in main]),
        "column": np.choose(shows, [cells.place for cells in main]),
        "quantity": texts(QUANTITIES, quantity),
        "state": texts(STATES, np.maximum(state, 0)),
        "loss_db": np.where(as_loss & (state == 0), loss.number, np.nan),
        "power_dbm": np.where(as_reference, np.nan, power.number),
        "reference_dbm": reference.number,
        "value_printed": printed,
    }, as_loss | as_power | as_reference


def _runs(fields: Fields) -> NDArray[np.int64]:
    """Number the runs of neighbouring rows that agree in the fields naming a record."""
    size = len(fields.rows)
    if not fields.rows.table.record:
        return np.arange(size)
    changes = np.zeros(size, np.bool_)
    for name in fields.rows.table.record:
        codes = pd.factorize(fields.text(name))[0]
        changes[1:] |= codes[1:] != codes[:-1]
    return np.cumsum(changes)


def _records(whole: pd.DataFrame) -> NDArray[np.int64]:
    """Number the records: the readings of one run, apart where a value would stand twice."""
    several = whole["table"].nunique() > 1
    if not whole["joins"].any() and not several:
        return np.asarray(pd.factorize(whole["run"])[0] + 1, np.int64)
    run = whole["run"].to_numpy() + (whole["run"].max() + 1) * whole["table"].to_numpy()
    if not whole["joins"].any():
        return np.asarray(pd.factorize(run)[0] + 1, np.int64)
    same = ["wavelength_nm", "direction", "quantity", "fibre_position"]
    kind = np.zeros(len(whole), np.int64)
    for name in same:
        codes, uniques = pd.factorize(whole[name])
        kind = kind * len(uniques) + codes
    nth = pd.Series(kind).groupby(run * (kind.max() + 1) + kind, sort=False).cumcount().to_numpy()
    return np.asarray(pd.factorize(run * (nth.max() + 1) + nth)[0] + 1, np.int64)
