"""What went wrong on the invented job: each fault changes a few records and says so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Fault:
    """One planted fault: what it is and which records it touched."""

    code: str
    sheet: str
    labels: tuple[str, ...]
    """Labels as the dump holds them."""
    links: tuple[str, ...]
    """Links that were really measured."""
    what: str


Change = Callable[[pd.DataFrame], tuple[pd.DataFrame, np.ndarray]]
"""Takes the tests of all visits, returns them changed and which rows were touched."""


def _at(tests: pd.DataFrame, sheet: str, first: int = 1, last: int = 999) -> np.ndarray:
    ports = tests["port"].between(first, last)
    return ((tests["sheet"] == sheet) & ports).to_numpy(dtype="bool")


def relabel(sheet: str, names: dict[int, str]) -> Change:
    """Give single ports of a visit another label."""

    def change(tests: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
        rows = _at(tests, sheet) & tests["port"].isin(list(names)).to_numpy(dtype="bool")
        labels = tests["port"].map(names)
        return tests.assign(label=tests["label"].where(~rows, labels)), rows

    return change


def block(sheet: str, first: int, last: int, pattern: str, step: int = 0) -> Change:
    """Give a block of ports labels after `pattern`, with `step` added to the port number."""

    def change(tests: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
        rows = _at(tests, sheet, first, last)
        labels = (tests["port"] + step).map(lambda port: pattern.format(port=port))
        return tests.assign(label=tests["label"].where(~rows, labels)), rows

    return change


def lossier(sheet: str, first: int, last: int, extra_db: dict[int, float]) -> Change:
    """Add loss at some wavelengths to a block of ports."""

    def change(tests: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
        rows = _at(tests, sheet, first, last)
        extra = tests["wavelength_nm"].map(extra_db).fillna(0.0)
        return tests.assign(loss_db=tests["loss_db"] + extra.where(rows, 0.0)), rows

    return change


def dark(sheet: str, port: int) -> Change:
    """Let no light arrive at one port."""

    def change(tests: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
        rows = _at(tests, sheet, port, port)
        return tests.assign(state=tests["state"].where(~rows, "no-light")), rows

    return change


def clock_reset(sheets: tuple[str, ...], begin: str) -> Change:
    """Let the meter's clock start again from `begin` at the first record of the first visit."""

    def change(tests: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
        rows = tests["sheet"].isin(sheets).to_numpy(dtype="bool")
        first = tests.loc[rows, "at"].min()
        moved = pd.Timestamp(begin) + (tests["at"] - first)
        return tests.assign(clock=tests["clock"].where(~rows, moved)), rows

    return change


def untouched(sheet: str) -> Change:
    """Change nothing: the fault lies in the run sheet of the visit, not in its records."""
    return lambda tests: (tests, _at(tests, sheet))


FAULTS: tuple[tuple[str, str, str, Change], ...] = (
    ("shifted-run", "S03", "from port 13 on the counter was one too high; nothing was skipped",
     block("S03", 13, 48, "W0C-{port:02d}", step=1)),
    ("wrong-prefix", "S07", "the first twelve carry the panel tested before",
     block("S07", 1, 12, "K0B-{port:02d}")),
    ("abbreviated", "S05", "from port 25 on the room was left out",
     block("S05", 25, 48, "A-{port:02d}")),
    ("swapped-keys", "S08", "31 typed for 13", relabel("S08", {13: "W0E-31"})),
    ("look-alike", "S02", "letter O typed for zero, small letters, a blank",
     relabel("S02", {7: "W0B-O7", 22: "w0b-22", 23: "w0b 23"})),
    ("leading-zero", "S06", "zeros left out", relabel("S06", {3: "K0B-3", 4: "K0B-4"})),
    ("reference-moved", "S04", "cord taken off the source and put back before port 20",
     lossier("S04", 20, 36, {850: 0.38, 1300: 0.36})),
    ("reference-stale", "S11", "reference of the day before", untouched("S11")),
    ("no-meter-end", "S16", "the sheet does not say at which end the meter stood",
     untouched("S16")),
    ("clock-reset", "S17", "new battery, clock began again in the year 2000",
     clock_reset(("S17", "S18"), "2000-01-01 00:04:00")),
    ("dirty", "S01", "dirty connector", lossier("S01", 17, 17, {850: 1.9, 1300: 1.8})),
    ("dirty-then-cleaned", "S02", "dirty connector, cleaned and tested again on Friday",
     lossier("S02", 30, 30, {850: 2.1, 1300: 1.9})),
    ("dirty", "S05", "dirty connector", lossier("S05", 33, 33, {850: 2.4, 1300: 2.2})),
    ("dirty", "S17", "dirty connector", lossier("S17", 9, 9, {1310: 1.5, 1550: 1.4})),
    ("bend", "S09", "tight bend near port 9", lossier("S09", 9, 9, {1310: 0.15, 1550: 1.6})),
    ("bend", "S12", "the same bend from the other end",
     lossier("S12", 9, 9, {1310: 0.14, 1550: 1.6})),
    ("dark", "S08", "fibre broken in the closure", dark("S08", 41)),
    ("dark", "S11", "the same fibre from the other end", dark("S11", 41)),
    ("retest", "S19", "the second test carries the ending that crews add",
     relabel("S19", {30: "W0B-30-R"})),
)  # fmt: skip
NOT_TESTED = (
    Fault("missing-ports", "S04", (), tuple(f"W0D-{port:02d}" for port in range(37, 49)),
          "twelve ports not reached"),
    Fault("missing-direction", "", (), tuple(f"W0J-{port:02d}" for port in range(1, 49)),
          "second direction still to be tested"),
)  # fmt: skip
SPARES = ("SP-01", "SP-02", "SP-03", "SP-04")
"""Labels of strands that the crew of S06 tested though nobody planned them."""


def plant(tests: pd.DataFrame) -> tuple[pd.DataFrame, list[Fault]]:
    """Apply every fault in turn; return the changed tests and what was planted."""
    planted = []
    for code, sheet, what, change in FAULTS:
        tests, rows = change(tests)
        touched = tests.loc[rows & (tests["kind"] == "link")].drop_duplicates("label")
        planted.append(Fault(code, sheet, tuple(touched["label"]), tuple(touched["link_id"]), what))
    spares = tests.loc[tests["kind"] == "outside-plan"].drop_duplicates("label")
    planted.append(
        Fault("outside-plan", "S06", tuple(spares["label"]), (), "spare strands, not in the plan")
    )
    return tests, [*planted, *NOT_TESTED]
