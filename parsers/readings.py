"""The one path from raw cells to readings, whatever the layout: whole columns at a time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import clocks, numbers, wavelengths
from parsers.numbers import BLANK, STATES, UNREADABLE
from parsers.profile import FieldRule, Profile, ValueRule
from parsers.raw import Fault, Raw, Rows
from rules import tables

UNITS_M = {"m": 1.0, "km": 1000.0, "ft": 0.3048}
"""Metres in one unit; the international foot is 0.3048 m exactly (NIST SP 811, appendix B.6)."""
_FROM_CELL = ("meter_serial", "source_serial", "operator", "label")


def make(profile: Profile, raw: Raw) -> tuple[pd.DataFrame, list[Fault]]:
    """Turn every row of every table into readings (EXTRACTED, with `end_line`), and faults."""
    faults: list[Fault] = []
    parts = []
    for number, rows in enumerate(raw.rows):
        part = _of_table(profile, rows, raw, faults)
        part["table"], part["joins"] = number, bool(rows.table.record)
        parts += [part] if len(part) else []
    if not parts:
        return tables.empty({**tables.EXTRACTED, "end_line": "int"}), faults
    whole = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    keys = whole["line"].to_numpy()
    if (np.diff(keys) < 0).any():
        whole = whole.iloc[np.argsort(keys, kind="stable")].reset_index(drop=True)
    whole["record"] = _records(whole)
    return tables.conform(whole, {**tables.EXTRACTED, "end_line": "int"}), faults


class _Fields:
    """The record's fields of one table, each one array as long as the table."""

    def __init__(self, profile: Profile, rows: Rows, raw: Raw, faults: list[Fault]) -> None:
        self.profile, self.rows, self.raw, self.faults = profile, rows, raw, faults
        self.size = len(rows.line)

    def text(self, name: str) -> pd.Series:
        """Return a field as printed: its column, else what a heading above holds, else empty."""
        rule = self.rows.table.fields.get(name)  # type: ignore[call-overload]
        own = self._own(rule) if rule else None
        carried = self._carried(name)
        if carried is None:
            return own if own is not None else pd.Series("", index=range(self.size), dtype="str")
        return carried if own is None else own.where(own != "", carried)

    def _own(self, rule: FieldRule) -> pd.Series:
        if rule.value is not None:
            return pd.Series(rule.value, index=range(self.size), dtype="str")
        first, *others = (self.rows.cells[place] for place in rule.places())
        for other in others:
            first = (first + " " + other).str.strip()
        return first.mask(first.isin(rule.absent), "") if rule.absent else first

    def _carried(self, name: str) -> pd.Series | None:
        held = self.raw.carried.get(name)
        if not held:
            return None
        lines = np.array([line for line, _, _ in held])
        values = np.array(["", *(value for _, value, _ in held)], dtype=object)
        return pd.Series(values[np.searchsorted(lines, self.rows.line)], dtype="str")

    def place(self, name: str) -> NDArray[np.int64] | int:
        """Return the column in which a field stands, 0 where it stands in none."""
        rule = self.rows.table.fields.get(name)  # type: ignore[call-overload]
        places = rule.places() if rule else ()
        return self.rows.places.get(places[0], 0) if places else 0

    def words(self, name: str, known: tuple[str, ...]) -> pd.Series:
        """Translate a field by its list of words; a word outside the list is a fault."""
        cells = self.text(name)
        rule = self.rows.table.fields.get(name)  # type: ignore[call-overload]
        given: Mapping[str, str] = rule.words if rule else {}
        lists = {word: word for word in known if word} | {"": ""} | dict(given)
        codes, uniques = pd.factorize(cells)
        found = np.array([lists.get(word) for word in uniques.tolist()], dtype=object)
        strange = np.array([word is None for word in found], np.bool_)
        found[strange] = ""
        if strange.any():
            expected = "one of " + ", ".join(repr(word) for word in lists if word)
            self.fault(name, strange[codes], cells, "word-unknown", expected)
        return pd.Series(found[codes], dtype="str")

    def fault(
        self, name: str, where: NDArray[np.bool_], cells: pd.Series, code: str, expected: str
    ) -> None:
        """Note a fault for each row of `where`."""
        self.faults += located(self.rows, self.place(name), where, cells, code, expected)


def located(
    rows: Rows,
    place: NDArray[np.int64] | int,
    where: NDArray[np.bool_],
    cells: pd.Series,
    code: str,
    expected: str,
) -> list[Fault]:
    """Make one fault per row of `where`, at the cell's place."""
    chosen = np.flatnonzero(where)
    places = np.broadcast_to(place, len(rows.line))[chosen].tolist()
    found = cells.iloc[chosen].tolist()
    lines = rows.line[chosen].tolist()
    return [Fault(n, c, code, f, expected) for n, c, f in zip(lines, places, found, strict=True)]


def _of_table(profile: Profile, rows: Rows, raw: Raw, faults: list[Fault]) -> pd.DataFrame:
    """Make the readings of one table, in order of rows."""
    fields = _Fields(profile, rows, raw, faults)
    common = _common(fields)
    quantity = fields.words("quantity", ("power", "attenuation", "reference"))
    units = fields.words("unit", (*numbers.MILLIWATTS, "dB", "dBm"))
    own_wavelength = _wavelength(fields)
    groups: dict[tuple[int | None, int | None, str | None], list[ValueRule]] = {}
    for value in rows.table.values:
        key = (value.wavelength_nm, value.fibre_position, value.direction)
        groups.setdefault(key, []).append(value)
    parts, empty = [], np.ones(len(rows.line), np.bool_)
    run = _runs(fields)
    for (nanometres, position, direction), values in groups.items():
        part = _combine(profile, rows, values, quantity, units, faults)
        wavelength = own_wavelength
        if nanometres is not None:
            nominal = wavelengths.nominal(nanometres)
            wavelength = np.full(len(rows.line), nominal, np.int64)
            part["wavelength_printed"] = str(nanometres)
        else:
            part["wavelength_printed"] = fields.text("wavelength")
        part["wavelength_nm"] = wavelength
        for name, cells in common.items():
            part[name] = cells
        if position is not None:
            part["fibre_position"] = position
        if direction is not None:
            part["direction"] = direction
        _carried_reference(fields, part)
        part["run"] = run
        empty &= ~part["there"].to_numpy()
        part["row"] = np.arange(len(rows.line))
        parts.append(part[part["there"].to_numpy() & (wavelength > 0)])
    cells = rows.cells.iloc[np.flatnonzero(empty)].agg(" | ".join, axis=1) if empty.any() else None
    if cells is not None:
        for row, text in zip(np.flatnonzero(empty).tolist(), cells.tolist(), strict=True):
            faults.append(Fault(int(rows.line[row]), 1, "value-missing", text, "a value"))
    if len(parts) == 1:
        return parts[0].reset_index(drop=True)
    whole = pd.concat(parts, ignore_index=True)
    return whole.iloc[np.argsort(whole["row"].to_numpy(), kind="stable")].reset_index(drop=True)


def _common(fields: _Fields) -> dict[str, Any]:
    """Read the fields that hold for every reading of a row."""
    rows = fields.rows
    common: dict[str, Any] = {"line": rows.line, "end_line": rows.end_line}
    for name in _FROM_CELL:
        common[name] = fields.text(name)
    cells = fields.text("slot")
    common["slot"], bad = numbers.integers(cells)
    fields.fault("slot", bad, cells, "slot-unreadable", "a whole number")
    common["direction"] = fields.words("direction", ("a-b", "b-a"))
    common["verdict"] = fields.words("verdict", ("pass", "fail"))
    fibre = fields.words("fibre_position", ("1", "2"))
    common["fibre_position"] = fibre.map({"1": 1, "2": 2}).fillna(0).astype("int64")
    clock = rows.table.fields.get("clock")
    if clock is not None:
        cells = fields.text("clock")
        read = clocks.read(cells, clock.format or "iso", ())
        common |= {"clock": cells, "taken_at": read.taken_at, "utc_offset_min": read.offset_min,
                   "clock_state": read.state, "clock_resolution_s": read.resolution_s}  # fmt: skip
        expected = f"a date and time as {clock.format}"
        fields.fault("clock", read.unreadable, cells, "clock-unreadable", expected)
    else:
        common["clock_state"] = "none"
    length = rows.table.fields.get("length")
    if length is not None:
        cells = fields.text("length")
        read_m = numbers.measure(cells, fields.profile.numbers, "dB", {})
        metres = read_m.number * UNITS_M[length.unit or "m"]
        common["length_m"] = metres
        common["length_source"] = np.where(np.isnan(metres), "", "meter").astype(object)
        bad = read_m.state == UNREADABLE
        fields.fault("length", bad, cells, "number-unreadable", "a length")
    return common


def _wavelength(fields: _Fields) -> NDArray[np.int64]:
    """Read the wavelength field; 0, with a fault, where it cannot be read."""
    rule = fields.rows.table.fields.get("wavelength")
    cells = fields.text("wavelength")
    if rule is None and not fields.raw.carried.get("wavelength"):
        return np.zeros(len(cells), np.int64)
    unit = "um" if rule and rule.unit == "um" else "nm"
    words = rule.words if rule else {}
    found = wavelengths.read(cells, fields.profile.numbers, unit, words)
    fields.fault("wavelength", found == 0, cells, "wavelength-unreadable", "a wavelength in nm")
    return found


def _combine(
    profile: Profile,
    rows: Rows,
    values: list[ValueRule],
    quantity: pd.Series,
    units: pd.Series,
    faults: list[Fault],
) -> pd.DataFrame:
    """Merge the values of one wavelength, fibre and direction into one reading per row.

    Loss makes it `attenuation` even where level and reference stand beside it; else a level makes
    it `power`; else a stored reference `reference`.
    """
    size = len(rows.line)
    number = {name: np.full(size, np.nan) for name in ("attenuation", "power", "reference")}
    state = {name: np.full(size, BLANK, np.int8) for name in number}
    printed = {name: np.full(size, "", dtype=object) for name in number}
    column = {name: np.zeros(size, np.int64) for name in number}
    kinds = quantity.to_numpy(dtype=object)
    for value in values:
        cells = rows.cells[value.column]
        read = _measured(profile, cells, value, units)
        bad = read.state == UNREADABLE
        place = rows.places.get(value.column, 1)
        code = np.where(read.wrong_unit, "unit-unknown", "number-unreadable")
        expected = f"a number with '{profile.numbers.decimal_mark}' in {value.unit or 'its unit'}"
        for name in ("unit-unknown", "number-unreadable"):
            faults += located(rows, place, bad & (code == name), cells, name, expected)
        if value.blank == "fault":
            blank = read.state == BLANK
            faults += located(rows, place, blank, cells, "value-missing", "a value")
        if value.blank == "not-measured":
            read.state[read.state == BLANK] = STATES.index("not-measured")
        by_unit = np.where(read.level, "power", "attenuation").astype(object)
        kind = np.where(kinds != "", kinds, by_unit) if value.quantity is None else value.quantity
        for name in number:
            mine = np.broadcast_to(np.asarray(kind == name), size) & (read.state != BLANK)
            if mine.any():
                number[name] = np.where(mine, read.number, number[name])
                state[name] = np.where(mine, read.state, state[name])
                printed[name] = np.where(mine, cells.to_numpy(dtype=object), printed[name])
                column[name] = np.where(mine, place, column[name])
    return _reading(number, state, printed, column)


def _measured(
    profile: Profile, cells: pd.Series, value: ValueRule, units: pd.Series
) -> numbers.Measured:
    words = {word: state for state, listed in profile.states.items() for word in listed}
    words |= {word: state for state, listed in value.states.items() for word in listed}
    own_units = None if value.unit is not None else units
    return numbers.measure(
        cells, profile.numbers, value.unit or "", words, value.negated, own_units
    )


def _reading(
    number: dict[str, NDArray[np.float64]],
    state: dict[str, NDArray[np.int8]],
    printed: dict[str, NDArray[np.object_]],
    column: dict[str, NDArray[np.int64]],
) -> pd.DataFrame:
    """Settle for each row which quantity its reading has, its state and what was printed."""
    loss, power, reference = (number[n] for n in ("attenuation", "power", "reference"))
    has = {name: state[name] != BLANK for name in state}
    good = {name: state[name] == 0 for name in state}
    # a level with a word in place of the loss (nothing was zeroed) is a power reading
    as_power = has["power"] & ~good["attenuation"] & (good["power"] | ~has["attenuation"])
    as_loss = has["attenuation"] & ~as_power
    as_reference = has["reference"] & ~as_loss & ~as_power
    which = [as_loss, as_power, as_reference]
    names = ["attenuation", "power", "reference"]
    # a loss beside a level without light is the meter's arithmetic, not a measurement
    worst = np.where(as_loss, np.maximum(state["attenuation"], state["power"]), 0)
    worst = np.select([as_loss, as_power], [worst, state["power"]], state["reference"])
    there = as_loss | as_power | as_reference
    words = np.array(STATES, dtype=object)
    out = pd.DataFrame({"there": there})
    out["quantity"] = np.select(which, names, "").astype(object)
    out["state"] = words[np.maximum(worst, 0)]
    unsound = worst > 0
    out["loss_db"] = np.where(as_loss & ~unsound, loss, np.nan)
    out["power_dbm"] = np.where(as_reference, np.nan, power)
    out["reference_dbm"] = reference
    by_level = as_loss & (state["power"] > state["attenuation"])
    shown = [by_level, *which], ["power", *names]
    out["value_printed"] = np.select(shown[0], [printed[n] for n in shown[1]], "").astype(object)
    out["column"] = np.select(shown[0], [column[n] for n in shown[1]], 0)
    return out


def _carried_reference(fields: _Fields, part: pd.DataFrame) -> None:
    """Give rows the reference of a heading above, where the profile says that it holds for them."""
    held = fields.raw.carried.get("reference")
    if not held:
        return
    rules = fields.profile.numbers
    cells = pd.Series([value for _, value, _ in held], dtype="str")
    values = numbers.measure(cells, rules, "dBm", {}).number
    nominal = [
        wavelengths.nominal(wavelengths.printed_nm(key, rules)) if key else 0 for _, _, key in held
    ]
    lines = np.array([line for line, _, _ in held])
    wanted = part["wavelength_nm"].to_numpy()
    out = part["reference_dbm"].to_numpy().copy()
    for one in sorted(set(nominal)):
        chosen = np.array(nominal) == one
        above = np.concatenate([[np.nan], values[chosen]])
        found = above[np.searchsorted(lines[chosen], fields.rows.line)]
        mine = np.isnan(out) & (part["quantity"] != "reference").to_numpy()
        mine &= (wanted == one) | (one == 0)
        out = np.where(mine, found, out)
    part["reference_dbm"] = out


def _runs(fields: _Fields) -> NDArray[np.int64]:
    """Number the runs of neighbouring rows that agree in the fields naming a record."""
    names = fields.rows.table.record
    if not names:
        return np.arange(fields.size)
    changes = np.zeros(fields.size, np.bool_)
    for name in names:
        codes = pd.factorize(fields.text(name))[0]
        changes[1:] |= codes[1:] != codes[:-1]
    return np.cumsum(changes)


def _records(whole: pd.DataFrame) -> NDArray[np.int64]:
    """Number the records: the readings of one run, apart where a value would stand twice."""
    same = ["table", "run", "wavelength_nm", "direction", "quantity", "fibre_position"]
    nth = whole.groupby(same, sort=False).cumcount() if whole["joins"].any() else 0
    keys = pd.DataFrame({"table": whole["table"], "run": whole["run"], "nth": nth})
    if keys["table"].nunique() == 1 and not whole["joins"].any():
        return np.asarray(pd.factorize(keys["run"])[0] + 1, np.int64)
    found = keys.groupby(["table", "run", "nth"], sort=False).ngroup().to_numpy() + 1
    return np.asarray(found, np.int64)
