"""From records back to readings: table PAIRS, wavelengths, directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import columns, source_logs, tables
from rules.pairing import windows
from rules.pairing.bindings import Bindings
from rules.pairing.outcome import Outcome
from rules.pairing.records import Records
from rules.pairing.sites import Sites
from rules.settings import Settings


@dataclass(frozen=True)
class ByReading:
    """Arrays over the readings that are no references; `row` is their row in the working table."""

    row: np.ndarray
    reading_id: pd.api.extensions.ExtensionArray
    record: np.ndarray
    fibre_position: np.ndarray
    link: np.ndarray
    wavelength_nm: np.ndarray
    stored_nm: np.ndarray
    direction: np.ndarray
    status: np.ndarray
    how: np.ndarray
    confidence: np.ndarray
    reason: np.ndarray
    code: np.ndarray
    group: np.ndarray

    def paired(self) -> columns.Ints:
        """Return the link that each reading is paired with, −1 where with none."""
        return np.where(self.status == "paired", self.link, -1)


def spread(
    working: pd.DataFrame, made: Records, place: Sites, bound: Bindings, answered: np.ndarray,
    found: Outcome, settings: Settings,
) -> ByReading:  # fmt: skip
    """Give every reading its record's outcome, then what answers and its own wavelength say.

    answered: rows of the readings that answers name.
    """
    row = np.flatnonzero((working["quantity"] != "reference").to_numpy())

    def own(name: str) -> np.ndarray:
        return working[name].to_numpy(dtype=np.int64)[row]

    directions, names = columns.codes(working["direction"])
    record = made.record_of[row]
    none = record < 0
    copy = (working["duplicate_of"] != "").to_numpy()[row]
    log = none & ~copy & source_logs.rows(working)[row]
    at = np.maximum(record, 0)

    def take(values: np.ndarray, absent: object) -> np.ndarray:
        if not len(values):
            return np.full(len(row), absent, dtype=values.dtype)
        out: np.ndarray = values[at]
        out[none] = absent
        return out

    status = take(found.status, "duplicate")
    status[log] = "left-out"
    how, reason = take(found.how, ""), take(found.reason, "")
    code, group = take(found.code, ""), take(found.group, "")
    confidence, site = take(found.confidence, 0.0), take(found.site, -1)
    first = working["duplicate_of"].array.take(row[copy])
    reason[copy] = [f"repeats reading {reading_id}" for reading_id in first]
    reason[log] = "the light source's own log, which tests no link"
    fibre = own("fibre_position")
    link = np.where(site < place.links, site, -1)
    for n in np.flatnonzero(site >= place.links).tolist():
        link[n] = place.link_at(int(site[n]), int(fibre[n]))
    lone = (status == "paired") & (link < 0)
    status[lone], code[lone] = "question", "fibre-of-pair-unknown"
    reason[lone], group[lone] = "the plan names no partner for this fibre", "pair"
    by = ByReading(
        row=row,
        reading_id=working["reading_id"].array.take(row),
        record=record,
        fibre_position=fibre,
        link=link,
        wavelength_nm=np.zeros(len(row), dtype=np.int64),
        stored_nm=own("wavelength_nm"),
        direction=names[directions[row]],
        status=status,
        how=how,
        confidence=confidence,
        reason=reason,
        code=code,
        group=group,
    )
    _answers(by, place, bound, np.searchsorted(row, answered[np.isin(answered, row)]))
    _wavelengths(by, place, settings)
    off = by.status != "paired"
    by.how[off & (by.how != "answered")] = ""
    by.confidence[off & (by.how != "answered")] = 0.0
    return by


def _answers(by: ByReading, place: Sites, bound: Bindings, answered: np.ndarray) -> None:
    """Put what people decided in place of what the evidence says."""
    if not (bound.links or bound.statuses or bound.directions):
        return
    number = place.number
    for n, reading in zip(answered.tolist(), by.reading_id.take(answered).tolist(), strict=True):
        if by.status[n] == "duplicate":
            continue
        if reading in bound.directions:
            by.direction[n] = bound.directions[reading]
        if reading in bound.statuses:
            by.status[n], by.link[n] = bound.statuses[reading], -1
            by.reason[n] = f"decided by {bound.by[reading]}"
        elif reading in bound.links:
            link = number.get(bound.links[reading], -1)
            by.link[n] = link
            if link < 0:
                by.status[n], by.code[n] = "question", "placed-link-gone"
                by.group[n] = bound.links[reading]
                by.reason[n] = f"placed on {bound.links[reading]}, which this plan does not hold"
                continue
            by.status[n] = "paired"
            by.reason[n] = f"placed by {bound.by[reading]}"
        else:
            continue
        by.how[n], by.confidence[n], by.code[n], by.group[n] = "answered", 1.0, "", ""


def _wavelengths(by: ByReading, place: Sites, settings: Settings) -> None:
    """Fill in nominal wavelengths; hold pairs whose wavelength is in no window of the fibre."""
    number, types = place.numbered_fibre_types
    nominal = windows.nominal(by.stored_nm, types, number[by.paired()], settings.windows)
    by.wavelength_nm[:] = nominal
    odd = (by.status == "paired") & (by.wavelength_nm == 0) & (by.stored_nm != 0)
    odd &= by.how != "answered"
    for n in np.flatnonzero(odd).tolist():
        kind = place.fibre_types[by.link[n]]
        by.status[n], by.code[n], by.group[n] = "question", "wavelength-outside", kind
        by.reason[n] = f"{by.stored_nm[n]} nm is in no window of {kind} fibre"


def as_pairs(by: ByReading, link: columns.Ints, place: Sites) -> pd.DataFrame:
    """Return table PAIRS, in the order of the readings; `link` is what each is paired with."""
    # few of a plan's names may be needed: those of a part of a job
    held = columns.distinct(link)
    held = held[held >= 0]
    names = pd.Series(place.link_ids.take(held))
    own = np.where(link >= 0, np.searchsorted(held, link), -1)
    kind, kinds = place.numbered_kinds
    frame = pd.DataFrame(
        {
            "reading_id": by.reading_id,
            "link_id": columns.named(names, own),
            "kind": columns.few(kinds, kind[link]),
            "wavelength_nm": by.wavelength_nm,
            "direction": _few(by.direction),
            "status": _few(by.status),
            "how": _few(by.how),
            "confidence": by.confidence.round(6),
            "reason": _few(by.reason),
        }
    )
    return tables.conform(frame, tables.PAIRS)


def _few(values: np.ndarray) -> pd.Series:
    """Make a column of kind `few`."""
    numbers, unique = pd.factorize(values)
    return columns.few([str(value) for value in unique], numbers)


def notes(working: pd.DataFrame, by: ByReading) -> pd.DataFrame:
    """Note per run how many readings of multimode fibre were stored as 1310 nm."""
    odd = (by.status == "paired") & (by.wavelength_nm == 1300) & (by.stored_nm == 1310)
    runs = working["run_id"].iloc[by.row[odd]].astype("str")
    counted = runs.value_counts().sort_index()
    rows = [
        {
            "code": "wavelength-1310-on-multimode",
            "severity": "note",
            "subject": f"run {run_id}",
            "run_id": run_id,
            "message": f"{count} readings of multimode fibre at 1310 nm count as 1300 nm",
            "remedy": "set the meter to 1300 nm for multimode fibre",
        }
        for run_id, count in counted.items()
    ]
    return tables.conform(pd.DataFrame(rows, columns=list(tables.FINDINGS)), tables.FINDINGS)
