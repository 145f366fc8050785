"""The one entry of pairing: answers first, then evidence, then questions."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from rules import tables
from rules.evaluation import Decisions, Plan
from rules.pairing import ask, bindings, match, records, sites, windows
from rules.pairing.bindings import Bindings
from rules.pairing.match import Match
from rules.pairing.parameters import Parameters
from rules.pairing.records import Records
from rules.pairing.sites import Sites
from rules.settings import Settings


@dataclass(frozen=True)
class Pairing:
    """PAIRS for every reading that is no reference, and what pairing found and asks."""

    pairs: pd.DataFrame
    questions: pd.DataFrame
    findings: pd.DataFrame


def pair(
    plan: Plan,
    working: pd.DataFrame,
    runs: pd.DataFrame,
    decisions: Decisions,
    parameters: Parameters,
    settings: Settings,
) -> Pairing:
    """Pair every reading of the working table with a planned link, or say why not.

    Each row whose quantity is not `reference` gets exactly one row of PAIRS. The same tables in
    any row order give the same result.
    """
    place = sites.of_plan(plan.links)
    made = records.of_readings(working)
    bound = bindings.of_answers(decisions.answers)
    matches = _match(made, place, bound, settings)
    return _assemble(working, made, place, bound, matches, settings)


def _match(made: Records, place: Sites, bound: Bindings, settings: Settings) -> list[Match]:
    known = {two: match.index(place, pairs=two) for two in (False, True)}
    seen: dict[tuple[str, bool], Match] = {}
    out = []
    for label, two in zip(made.table["label"], made.table["two_fibres"], strict=True):
        if (label, two) not in seen:
            seen[label, two] = match.find(label, known[two], bound.aliases, settings)
        out.append(seen[label, two])
    return out


def _assemble(
    working: pd.DataFrame,
    made: Records,
    place: Sites,
    bound: Bindings,
    matches: list[Match],
    settings: Settings,
) -> Pairing:
    link_number = {link_id: number for number, link_id in enumerate(place.link_ids)}
    rows: list[dict[str, Any]] = []
    asked: list[tuple[str, str, int, str, Match]] = []
    columns = ("reading_id", "quantity", "duplicate_of", "fibre_position", "direction")
    for (reading, quantity, copy_of, fibre, direction), record in zip(
        zip(*(working[name] for name in columns), strict=True), made.record_of, strict=True
    ):
        if quantity == "reference":
            continue
        row: dict[str, Any] = {
            "reading_id": reading,
            "link": -1,
            "direction": bound.directions.get(reading, direction),
            "how": "",
            "confidence": 0.0,
            "status": "question",
            "reason": "",
        }
        rows.append(row)
        if copy_of:
            row.update(status="duplicate", reason=f"repeats reading {copy_of}")
            continue
        found = matches[record]
        if reading in bound.statuses:
            row.update(
                status=bound.statuses[reading],
                how="answered",
                confidence=1.0,
                reason=f"decided by {bound.by[reading]}",
            )
        elif reading in bound.links:
            link = link_number.get(bound.links[reading], -1)
            if link < 0:
                why = f"placed on {bound.links[reading]}, which this plan does not hold"
                row["reason"] = why
                asked.append(("placed-link-gone", reading, int(record), why, found))
                continue
            row.update(
                status="paired",
                link=link,
                how="answered",
                confidence=1.0,
                reason=f"placed by {bound.by[reading]}",
            )
        elif found.job:
            row.update(status="left-out", reason="label of the test set itself, no link")
        else:
            code, why = _settle(row, found, int(fibre), place)
            if code:
                row["reason"] = why
                asked.append((code, reading, int(record), why, found))
    table = pd.DataFrame(rows, columns=[*_ROW])
    findings = _wavelengths(table, working, made, place, matches, asked, settings)
    pairs = _pairs_table(table, place)
    questions = _questions(asked, working, made, place, bound)
    return Pairing(
        pairs,
        tables.conform(questions, tables.QUESTIONS),
        tables.conform(findings, tables.FINDINGS),
    )


_ROW = ("reading_id", "link", "direction", "how", "confidence", "status", "reason")


def _settle(row: dict[str, Any], found: Match, fibre: int, place: Sites) -> tuple[str, str]:
    """Pair one reading by its record's match; return code and reason of a question otherwise."""
    if found.site < 0:
        if found.sites:
            names = ", ".join(sorted(place.name(site) for site in found.sites)[:4])
            return "label-ambiguous", f"label fits {names}"
        return "label-unknown", "label fits no link of the plan"
    link = place.link_at(found.site, fibre)
    if link < 0:
        return "fibre-of-pair-unknown", "the plan names no partner for this fibre"
    reason = {"exact": "label as planned", "normalised": "label equal after normalising"}[found.how]
    if found.alias:
        reason = f"label read as {found.alias} by an alias of this job"
    if found.retest:
        reason += ", retest ending dropped"
    row.update(status="paired", link=link, how=found.how, confidence=1.0, reason=reason)
    return "", ""


def _wavelengths(
    table: pd.DataFrame,
    working: pd.DataFrame,
    made: Records,
    place: Sites,
    matches: list[Match],
    asked: list[tuple[str, str, int, str, Match]],
    settings: Settings,
) -> pd.DataFrame:
    """Fill in the nominal wavelength; hold pairs whose wavelength is in no window of the fibre."""
    kept = (working["quantity"] != "reference").to_numpy()
    stored = working.loc[kept, "wavelength_nm"].to_numpy(dtype=np.int64)
    record_of = made.record_of[kept]
    types = np.array([*place.fibre_types, ""], dtype=object)
    nominal = windows.nominal(stored, types[table["link"].to_numpy()], settings.windows)
    table["wavelength_nm"] = nominal
    paired = (table["status"] == "paired").to_numpy()
    lost = paired & (nominal == 0) & (stored != 0) & (table["how"] != "answered").to_numpy()
    readings, links = table["reading_id"].to_list(), table["link"].to_numpy(dtype=np.int64)
    reasons = table["reason"].to_list()
    for row in np.flatnonzero(lost).tolist():
        why = f"{stored[row]} nm is in no window of {place.fibre_types[links[row]]} fibre"
        record = int(record_of[row])
        asked.append(("wavelength-outside", readings[row], record, why, matches[record]))
        reasons[row] = why
    table["reason"] = reasons
    for name, value in {"status": "question", "how": "", "link": -1, "confidence": 0.0}.items():
        table[name] = table[name].mask(lost, value)
    odd = paired & (nominal == 1300) & (stored == 1310)
    notes = []
    run_ids = working.loc[kept, "run_id"].to_numpy()
    for run_id in sorted(set(run_ids[odd])):
        count = int((odd & (run_ids == run_id)).sum())
        notes.append(
            {
                "code": "wavelength-1310-on-multimode",
                "severity": "note",
                "subject": f"run {run_id}",
                "run_id": run_id,
                "message": f"{count} readings of multimode fibre at 1310 nm count as 1300 nm",
                "remedy": "set the meter to 1300 nm for multimode fibre",
            }
        )
    return pd.DataFrame(
        notes, columns=["code", "severity", "subject", "run_id", "message", "remedy"]
    )


def _pairs_table(table: pd.DataFrame, place: Sites) -> pd.DataFrame:
    ids = np.array([*place.link_ids, ""], dtype=object)
    kinds = np.array([*place.kinds, ""], dtype=object)
    table["link_id"] = ids[table["link"].to_numpy()]
    table["kind"] = kinds[table["link"].to_numpy()]
    out = tables.conform(table, tables.PAIRS)
    return out.sort_values("reading_id", kind="stable", ignore_index=True)


def _questions(
    asked: list[tuple[str, str, int, str, Match]],
    working: pd.DataFrame,
    made: Records,
    place: Sites,
    bound: Bindings,
) -> pd.DataFrame:
    """Gather held readings: one question per stretch of neighbouring records with one cause."""
    links = made.table[["run_id", "label"]]
    runs, names = links["run_id"].to_list(), links["label"].to_list()
    held = sorted((runs[record], record, code, reading) for code, reading, record, _, _ in asked)
    why = {(code, reading): (text, found) for code, reading, _, text, found in asked}
    rows = []
    stretch = 0
    previous: tuple[str, int, str] | None = None
    numbered = []
    for run_id, record, code, reading in sorted(held, key=lambda h: (h[0], h[2], h[1], h[3])):
        here = (run_id, record, code)
        if previous is None or (run_id, code) != previous[::2] or record > previous[1] + 1:
            stretch += 1
        previous = here
        numbered.append((stretch, run_id, record, code, reading))
    for _, group in groupby(numbered, key=lambda n: n[0]):
        members = list(group)
        code, run_id = members[0][3], members[0][1]
        typed = list(dict.fromkeys(names[m[2]] for m in members))
        if code == "label-unknown" and not any(typed):
            code = "label-missing"
        readings = [m[4] for m in members]
        text, found = why[members[0][3], readings[0]]
        shown = ", ".join(f"'{name}'" for name in typed[:3]) + (" …" if len(typed) > 3 else "")
        where = f" in run {run_id}" if run_id else ""
        message = f"{len(typed)} label{'s'[: len(typed) != 1]} ({shown}){where}: {text}"
        asked_of = next((bound.asked[r] for r in readings if r in bound.asked), "")
        rows.append(
            ask.question(
                code,
                message,
                readings,
                options=_options(found, readings, place),
                evidence=[{"term": "label", "weight": 0.0, "text": text}],
                asked=asked_of,
            )
        )
    return pd.DataFrame(rows, columns=list(tables.QUESTIONS))


def _options(found: Match, readings: list[str], place: Sites) -> list[dict[str, Any]]:
    chosen = [
        {
            "action": "place",
            "link_ids": [place.link_ids[site]] * len(readings),
            "label": f"place on {place.name(site)}",
            "confidence": 0.0,
        }
        for site in found.sites[:6]
        if site < place.links
    ]
    return [
        *chosen,
        {"action": "outside-plan", "label": "outside the plan", "confidence": 0.0},
        {"action": "leave-out", "label": "leave out", "confidence": 0.0},
    ]
