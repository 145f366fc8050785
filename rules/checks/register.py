"""Checks of people and instruments against the job's lists."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from rules import suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Ints, codes
from rules.references import SECOND_WINDOW
from rules.settings import Instrument

GENERIC = re.compile(r"(oper(ator)?|user|admin|default|test(er)?|name|tech(nician)?)?[\s_#-]*\d*",
                     re.IGNORECASE)  # fmt: skip
"""Names that instruments come with. Common practice, no source."""

NOBODY = np.array([], dtype="int64")


def people_of(text: str) -> list[str]:
    """Split the people of a run: by commas, semicolons, plus signs, slashes or `and`."""
    return [name.strip() for name in re.split(r"[,;+/&]| and ", text) if name.strip()]


@check("operator-missing", "operator-unlisted")
def people(context: Context) -> pd.DataFrame:
    """Find runs without a name, with a name that instruments come with, or not on the list."""
    listed = {name.casefold() for name in context.settings.operators}
    number, texts = codes(context.runs["people"])
    unnamed = np.zeros(len(texts), dtype="bool")
    unknown = [""] * len(texts)
    for place, text in enumerate(texts):
        named = [name for name in people_of(text) if not GENERIC.fullmatch(name)]
        unnamed[place] = not named
        if listed:
            unknown[place] = ", ".join(n for n in named if n.casefold() not in listed)
    nobody = np.flatnonzero(unnamed[number] & context.tested)
    strangers = np.flatnonzero(np.array([text != "" for text in unknown], "bool")[number])
    names = [unknown[number[run]] for run in strangers]
    return suspicions.join(
        wording.of_runs(
            context, "operator-missing", nobody,
            [f"stored for the person: {context.runs['people'].iloc[n] or 'nothing'}"
             for n in nobody],
            severity="check" if listed else "note",
        ),
        wording.of_runs(context, "operator-unlisted", strangers,
                        [f"{name}: not on the list of this job" for name in names]),
    )  # fmt: skip


@check("instrument-missing", "instrument-unlisted", "serials-exchanged")
def serials(context: Context) -> pd.DataFrame:
    """Find runs whose meter is not known, not on the register, or named as source."""
    register = {i.serial: i for i in context.settings.instruments}
    out: dict[str, list[tuple[int, str]]] = {
        "instrument-missing": [], "instrument-unlisted": [], "serials-exchanged": [],
    }  # fmt: skip
    number, pairs = _pairs(context.runs["meter_serial"], context.runs["source_serial"])
    for place, (meter, source) in enumerate(pairs):
        known = register.get(meter)
        other = register.get(source)
        if not meter:
            out["instrument-missing"].append((place, "no serial number of the meter is stored"))
        elif register and known is None:
            out["instrument-unlisted"].append((place, f"meter {meter} is not on the register"))
        if source and register and other is None and "," not in source:
            out["instrument-unlisted"].append((place, f"source {source} is not on the register"))
        same = bool(meter) and meter == source and (known is None or known.kind != "set")
        turned = (known is not None and known.kind == "source") or (
            other is not None and other.kind == "meter"
        )
        if same or turned:
            out["serials-exchanged"].append((place, f"meter {meter}, source {source or 'none'}"))
    return suspicions.join(*(_spread(context, code, number, hits) for code, hits in out.items()))


def _pairs(first: pd.Series, second: pd.Series) -> tuple[Ints, list[tuple[str, str]]]:
    """Number the distinct pairs of two text columns."""
    table = pd.DataFrame({"first": first, "second": second})
    number = table.groupby(["first", "second"], sort=True).ngroup().to_numpy().astype("int64")
    distinct = table.drop_duplicates().sort_values(["first", "second"])
    return number, list(distinct.itertuples(index=False, name=None))


def _spread(context: Context, code: str, number: Ints, hits: list[tuple[int, str]]) -> pd.DataFrame:
    """Say of every run what was found of its number."""
    runs = [np.flatnonzero((number == place) & context.tested) for place, _ in hits]
    texts = [text for rows, (_, text) in zip(runs, hits, strict=True) for _ in rows]
    return wording.of_runs(context, code, np.concatenate([NOBODY, *runs]), texts)


def due(instrument: Instrument, months: float) -> str:
    """Return the last day of validity as ISO date, empty if nothing is known."""
    if instrument.due or not instrument.calibrated_on:
        return instrument.due
    until = pd.Timestamp(instrument.calibrated_on) + pd.DateOffset(months=int(months))
    return until.strftime("%Y-%m-%d")


@check("calibration-expired", "calibration-later", "calibration-unknown", "wavelength-uncalibrated")
def calibration(context: Context) -> pd.DataFrame:
    """Find runs outside the calibration of their meter, by the day of the test."""
    meters = [i for i in context.settings.instruments if i.kind != "source"]
    serial = context.runs["meter_serial"].to_numpy(dtype=object)
    started, ended = (context.runs[name].str.slice(0, 10).to_numpy(dtype=object)
                      for name in ("started_at", "ended_at"))  # fmt: skip
    measured = np.zeros((len(context.runs), len(context.lanes)), dtype="bool")
    there = context.track >= 0
    measured[context.run[there], context.lane[there]] = True
    out: list[pd.DataFrame] = []

    def name(code: str, runs: Ints, texts: list[str]) -> None:
        out.append(wording.of_runs(context, code, runs, texts))

    for meter in meters:
        mine = np.flatnonzero(serial == meter.serial)
        until = due(meter, context.threshold("calibration_months"))
        if not until:
            name("calibration-unknown", mine, [f"meter {meter.serial}"] * len(mine))
        late = mine[ended[mine] > until] if until else mine[:0]
        name("calibration-expired", late,
             [f"tested on {ended[r]}; the calibration of meter {meter.serial} ended on {until}"
              for r in late])  # fmt: skip
        early = mine[(started[mine] != "") & (started[mine] < meter.calibrated_on)]
        name("calibration-later", early,
             [f"tested on {started[r]}; meter {meter.serial} was calibrated on "
              f"{meter.calibrated_on}" for r in early])  # fmt: skip
        certified = [SECOND_WINDOW.get(nm, nm) for nm in meter.wavelengths_nm]
        lacking = ~np.isin(context.lanes, certified) & bool(certified)
        bare = mine[(measured[mine] & lacking).any(axis=1)]
        name("wavelength-uncalibrated", bare,
             [f"meter {meter.serial} at "
              f"{', '.join(str(nm) for nm in context.lanes[measured[r] & lacking])} nm"
              for r in bare])  # fmt: skip
    return suspicions.join(*out)
