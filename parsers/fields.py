"""The fields of a record: label, slot, clock, direction and the rest, each a whole column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from parsers import clocks, numbers, wavelengths
from parsers.columns import texts
from parsers.profile import Profile
from parsers.profile_parts import FieldRule
from parsers.raw import Fault, Raw, Rows

METRES = {"m": 1.0, "km": 1000.0, "ft": 0.3048}
"""Metres in one unit; the international foot is 0.3048 m exactly (NIST SP 811, appendix B.6)."""
_PLAIN = ("label", "meter_serial", "source_serial", "operator")


class Fields:
    """Reads the fields of one table's rows; what cannot be read is added to `faults`."""

    def __init__(self, profile: Profile, rows: Rows, raw: Raw, faults: list[Fault]) -> None:
        self.profile, self.rows, self.raw, self.faults = profile, rows, raw, faults
        self.questions: list[tuple[str, str]] = []

    def rule(self, name: str) -> FieldRule | None:
        """Return the profile's rule for a field, None where it has none."""
        found: Mapping[str, FieldRule] = self.rows.table.fields  # type: ignore[assignment]
        return found.get(name)

    def text(self, name: str) -> pd.Series:
        """Return a field as printed: its column, else what a heading above holds, else empty."""
        rule = self.rule(name)
        own = self._own(rule) if rule else None
        carried = self._carried(name)
        if carried is None:
            return own if own is not None else texts([""], np.zeros(len(self.rows), np.int8))
        return carried if own is None else own.where(own != "", carried)

    def _own(self, rule: FieldRule) -> pd.Series:
        if rule.value is not None:
            return texts([rule.value], np.zeros(len(self.rows), np.int8))
        first, *others = (self.rows.cells[place] for place in rule.places())
        for other in others:
            first = (first + " " + other).str.strip()
        return first.mask(first.isin(rule.absent), "") if rule.absent else first

    def _carried(self, name: str) -> pd.Series | None:
        held = self.raw.carried.get(name)
        if not held:
            return None
        lines = np.array([line for line, _, _ in held])
        return texts(["", *(value for _, value, _ in held)],
                     np.searchsorted(lines, self.rows.first))  # fmt: skip

    def words(self, name: str, known: Sequence[str]) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
        """Translate a field by its words: index into `known` (-1: empty) and where it is unlisted.

        A word outside the profile's list is a fault.
        """
        rule = self.rule(name)
        if rule is None and name not in self.raw.carried:
            return np.full(len(self.rows), -1, np.int8), np.zeros(len(self.rows), np.bool_)
        cells = self.text(name)
        listed = {word: word for word in known} | dict(rule.words if rule else {}) | {"": ""}
        codes, uniques = pd.factorize(cells)
        found = [listed.get(word) for word in uniques.tolist()]
        index = np.array([known.index(w) if w else -1 for w in found], np.int8)[codes]
        strange = np.array([word is None for word in found], np.bool_)[codes]
        expected = "one of " + ", ".join(repr(word) for word in listed if word)
        self.fault(name, strange, cells, "word-unknown", expected)
        return index, strange

    def common(self) -> dict[str, Any]:
        """Read what holds for every reading of a row; columns as in EXTRACTED."""
        out: dict[str, Any] = {name: self.text(name) for name in _PLAIN}
        cells = self.text("slot")
        out["slot"], bad = numbers.integers(cells)
        self.fault("slot", bad, cells, "slot-unreadable", "a whole number")
        out["direction"] = texts(["a-b", "b-a", ""], self.words("direction", ("a-b", "b-a"))[0])
        out["verdict"] = texts(["pass", "fail", ""], self.words("verdict", ("pass", "fail"))[0])
        fibre = self.words("fibre_position", ("0", "1", "2"))[0]
        out["fibre_position"] = np.maximum(fibre, 0).astype(np.int64)
        return out | self._clock() | self._length()

    def _clock(self) -> dict[str, Any]:
        rule = self.rule("clock")
        if rule is None or rule.format is None:
            return {"clock_state": texts(["none"], np.zeros(len(self.rows), np.int8))}
        cells = self.text("clock")
        if self.raw.carried.get("date"):
            cells = (self.text("date") + " " + cells).where(cells != "", "")
        read = clocks.read(
            cells, rule.format, rule.order == "ask", rule.months or (), self.raw.unit == "row"
        )
        self.questions += [read.question] if read.question else []
        expected = f"a date and time as {rule.format}"
        self.fault("clock", read.unreadable, cells, "clock-unreadable", expected)
        return {"clock": cells, "taken_at": read.taken_at, "utc_offset_min": read.offset_min,
                "clock_state": texts(clocks.STATES, read.state),
                "clock_resolution_s": read.resolution_s}  # fmt: skip

    def _length(self) -> dict[str, Any]:
        rule = self.rule("length")
        if rule is None:
            return {}
        cells = self.text("length")
        metres, bad = lengths(cells, self.profile, rule.unit or "m")
        self.fault("length", bad, cells, "number-unreadable", "a length")
        source = texts(["meter", ""], np.isnan(metres).astype(np.int8))
        return {"length_m": metres, "length_source": source}

    def wavelength(self) -> NDArray[np.int64]:
        """Read the wavelength field to its nominal window; 0, with a fault, where unreadable."""
        rule = self.rule("wavelength")
        if rule is None and not self.raw.carried.get("wavelength"):
            return np.zeros(len(self.rows), np.int64)
        cells = self.text("wavelength")
        unit = "um" if rule and rule.unit == "um" else "nm"
        words = rule.words if rule else {}
        return wavelengths.read(cells, self.profile.numbers, unit, words)

    def carried_reference(self, wavelength: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the reference in dBm that a heading above holds for each row, else NaN."""
        out = np.full(len(self.rows), np.nan)
        held = self.raw.carried.get("reference", [])
        if not held:
            return out
        rules = self.profile.numbers
        cells = pd.Series([value for _, value, _ in held], dtype="str")
        values = numbers.measure(cells, rules, "dBm", {}).number
        lines = np.array([line for line, _, _ in held])
        nominal = np.array(
            [wavelengths.nominal(wavelengths.printed_nm(nm, rules)) if nm else 0
             for _, _, nm in held]
        )  # fmt: skip
        for one in np.unique(nominal).tolist():
            chosen = nominal == one
            above = np.concatenate([[np.nan], values[chosen]])
            found = above[np.searchsorted(lines[chosen], self.rows.first)]
            out = np.where(np.isnan(out) & ((wavelength == one) | (one == 0)), found, out)
        return out

    def fault(
        self, name: str, where: NDArray[np.bool_], cells: pd.Series, code: str, expected: str
    ) -> None:
        """Note a fault for each row of `where`, at the field's place."""
        rule = self.rule(name)
        places = rule.places() if rule else ()
        self.faults += located(self.rows, places[0] if places else "", where, cells, code, expected)


def lengths(
    cells: pd.Series, profile: Profile, unit: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Read lengths in metres, with or without their own unit; NaN, and True where unreadable."""
    codes, uniques = pd.factorize(cells)
    pattern = numbers.grammar(profile.numbers)
    found = []
    for text in uniques.tolist():
        bare, own = numbers.split_unit(text)
        value = numbers.number(bare, profile.numbers, pattern)
        found.append(value * METRES.get(own.lower() or unit, np.nan))
    metres = np.array(found, np.float64)[codes]
    return metres, np.isnan(metres) & (cells != "").to_numpy()


def located(
    rows: Rows,
    column: str,
    where: NDArray[np.bool_],
    cells: pd.Series,
    code: str,
    expected: str,
) -> list[Fault]:
    """Make one fault per row of `where`, at the place of `column`'s cell."""
    chosen = np.flatnonzero(where)
    if not len(chosen):
        return []
    places = np.broadcast_to(rows.places.get(column, 0), len(rows))[chosen].tolist()
    lines = rows.lines.get(column, rows.first)[chosen].tolist()
    found = cells.iloc[chosen].tolist()
    return [Fault(n, c, code, f, expected) for n, c, f in zip(lines, places, found, strict=True)]
