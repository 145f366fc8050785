"""Checks of people and instruments against the job's lists."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Ints
from rules.settings import Instrument

GENERIC = re.compile(r"(oper(ator)?|user|admin|default|test(er)?|name|tech(nician)?)?[\s_#-]*\d*",
                     re.IGNORECASE)  # fmt: skip
"""Names that instruments come with. Common practice, no source."""


def people_of(text: str) -> list[str]:
    """Split the people of a run: by commas, semicolons, plus signs, slashes or `and`."""
    return [name.strip() for name in re.split(r"[,;+/&]| and ", text) if name.strip()]


@check("operator-missing", "operator-unlisted")
def people(context: Context) -> pd.DataFrame:
    """Find runs without a name, with a name that instruments come with, or not on the list."""
    listed = {name.casefold() for name in context.settings.operators}
    nobody, strangers, names = [], [], []
    for number, text in enumerate(context.runs["people"]):
        named = [name for name in people_of(text) if not GENERIC.fullmatch(name)]
        unknown = [name for name in named if listed and name.casefold() not in listed]
        if not named:
            nobody.append(number)
        if unknown:
            strangers.append(number)
            names.append(", ".join(unknown))
    return suspicions.join(
        wording.of_runs(
            context, "operator-missing", np.array(nobody, "int64"),
            [f"stored for the person: {context.runs['people'].iloc[n] or 'nothing'}"
             for n in nobody],
            severity="check" if listed else "note",
        ),
        wording.of_runs(context, "operator-unlisted", np.array(strangers, "int64"),
                        [f"{name}: not on the list of this job" for name in names]),
    )  # fmt: skip


@check("instrument-missing", "instrument-unlisted", "serials-exchanged")
def serials(context: Context) -> pd.DataFrame:
    """Find runs whose meter is not known, not on the register, or named as source."""
    register = {i.serial: i for i in context.settings.instruments}
    out: dict[str, list[tuple[int, str]]] = {
        "instrument-missing": [], "instrument-unlisted": [], "serials-exchanged": [],
    }  # fmt: skip
    pairs = context.runs[["meter_serial", "source_serial"]].itertuples(index=False)
    for number, (meter, source) in enumerate(pairs):
        known = register.get(meter)
        other = register.get(source)
        if not meter:
            out["instrument-missing"].append((number, "no serial number of the meter is stored"))
        elif register and known is None:
            out["instrument-unlisted"].append((number, f"meter {meter} is not on the register"))
        if source and register and other is None and "," not in source:
            out["instrument-unlisted"].append((number, f"source {source} is not on the register"))
        same = bool(meter) and meter == source and (known is None or known.kind != "set")
        turned = (known is not None and known.kind == "source") or (
            other is not None and other.kind == "meter"
        )
        if same or turned:
            out["serials-exchanged"].append((number, f"meter {meter}, source {source or 'none'}"))
    return suspicions.join(
        *(
            wording.of_runs(context, code, np.array([n for n, _ in hits], "int64"),
                            [text for _, text in hits])
            for code, hits in out.items()
        )
    )  # fmt: skip


def _due(instrument: Instrument, months: float) -> str:
    """Return the last day of validity as ISO date, empty if nothing is known."""
    if instrument.due or not instrument.calibrated_on:
        return instrument.due
    due = pd.Timestamp(instrument.calibrated_on) + pd.DateOffset(months=int(months))
    return due.strftime("%Y-%m-%d")


@check("calibration-expired", "calibration-later", "calibration-unknown", "wavelength-uncalibrated")
def calibration(context: Context) -> pd.DataFrame:
    """Find runs outside the calibration of their meter, by the day of the test."""
    register = {i.serial: i for i in context.settings.instruments if i.kind != "source"}
    out: dict[str, list[tuple[int, str]]] = {
        "calibration-expired": [], "calibration-later": [], "calibration-unknown": [],
        "wavelength-uncalibrated": [],
    }  # fmt: skip
    measured = _lanes_by_run(context)
    columns = context.runs[["meter_serial", "started_at", "ended_at"]].itertuples(index=False)
    for number, (meter, started, ended) in enumerate(columns):
        known = register.get(meter)
        if known is None:
            continue
        due = _due(known, context.threshold("calibration_months"))
        if not due:
            out["calibration-unknown"].append((number, f"meter {meter}"))
        elif ended and ended[:10] > due:
            out["calibration-expired"].append(
                (number, f"tested on {ended[:10]}; the calibration of meter {meter} ended on {due}")
            )
        if started and known.calibrated_on and started[:10] < known.calibrated_on:
            out["calibration-later"].append(
                (number, f"tested on {started[:10]}; meter {meter} was calibrated on "
                 f"{known.calibrated_on}")
            )  # fmt: skip
        certified = {1300 if nm == 1310 else nm for nm in known.wavelengths_nm}
        missing = sorted(set(measured.get(number, ())) - certified) if certified else []
        if missing:
            listed = ", ".join(str(nm) for nm in missing)
            out["wavelength-uncalibrated"].append((number, f"meter {meter} at {listed} nm"))
    return suspicions.join(
        *(
            wording.of_runs(context, code, np.array([n for n, _ in hits], "int64"),
                            [text for _, text in hits])
            for code, hits in out.items()
        )
    )  # fmt: skip


def _lanes_by_run(context: Context) -> dict[int, list[int]]:
    used = np.unique(context.track[context.track >= 0])
    out: dict[int, list[int]] = {}
    lanes: Ints = context.lanes
    for key in used:
        out.setdefault(int(key) // len(lanes), []).append(int(lanes[int(key) % len(lanes)]))
    return out
