"""Grades: the current result of each planned test against its limits, and what it replaced."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from rules import decision, grade_findings, kinds, results, tables, uncertainty
from rules.columns import Flags, Ints, codes, combined, occurrence
from rules.evaluation import Decisions
from rules.fibres import MULTIMODE
from rules.settings import Settings

NOT_GRADED = {
    results.BLOCKED: ("blocked", "an open finding holds the reading back"),
    results.NO_REFERENCE: ("no-reference", "the power has no valid reference"),
    results.NO_VALUE: ("blocked", "the record stores no value"),
}
WAITS = "the mean needs both directions, measured by one reference method"
UNORDERED = "nothing says which reading is the newest"
UNDIRECTED = "the direction is not known, and both are planned"

BOUNDS = ("limit_db", "min_db", "min_dbm", "max_dbm")


@dataclass(frozen=True)
class Graded:
    """GRADES, with what grading found (FOUND) and asks (QUESTIONS)."""

    grades: pd.DataFrame
    findings: pd.DataFrame
    questions: pd.DataFrame


def grade(
    planned: pd.DataFrame,
    working: pd.DataFrame,
    pairs: pd.DataFrame,
    limits: pd.DataFrame,
    blocked: Collection[str],
    decisions: Decisions,
    runs: pd.DataFrame,
    settings: Settings,
) -> Graded:
    """Grade every paired reading: PLANNED, working, PAIRS, LIMIT_ROWS, RUNS to GRADES.

    `blocked` are the ids of readings with an open `stop` finding. Values in dB or dBm; verdicts
    compare values rounded once to 0.001. Row order of the arguments changes nothing.
    """
    rows = results.candidates(planned, working, pairs, blocked, decisions)
    rows = _with_cords(rows, runs, settings)
    placed, doubts = _place(rows, runs, decisions)
    rows = rows.take(placed["row"].to_numpy()).reset_index(drop=True).assign(
        **{c: placed[c].to_numpy() for c in ("current", "grade", "why")}
    )  # fmt: skip
    if settings.direction_rule == "mean":
        rows, hidden = _means(rows)
    else:
        rows, hidden = rows.assign(mean=False), rows.head(0)
    graded = _judge(rows, limits, settings)
    against_each = _judge(hidden.assign(mean=False), limits, settings)
    found, asked = grade_findings.of(
        graded, against_each, doubts, limits, planned, runs, decisions, settings
    )
    keep = [*tables.GRADES]
    out = tables.conform(graded, tables.GRADES)[keep]
    return Graded(out.sort_values(list(tables.KEYS["grades"]), ignore_index=True), found, asked)


def _with_cords(rows: pd.DataFrame, runs: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Add the reference method and cord grade of each reading's run, else the job's."""
    cords = runs.drop_duplicates("run_id").set_index("run_id")
    place = cords.index.get_indexer(pd.Index(rows["run_id"]))
    method = np.append(cords["reference_method"].to_numpy(), settings.cords.reference_method)
    grade = np.append(cords["cord_grade"].to_numpy(dtype=object), settings.cords.grade)
    return rows.assign(
        reference_method=method[place].astype("int64"),
        cord_grade=pd.Series(grade[place], index=rows.index, dtype="str"),
    )


def _place(
    rows: pd.DataFrame, runs: pd.DataFrame, decisions: Decisions
) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Decide which rows become grades: `row`, `current`, `grade` (empty: to be judged), `why`.

    Also returns the rows that findings and questions are about, by cause.
    """
    standing = rows["standing"].to_numpy()
    undirected = (rows["direction"] == "").to_numpy() & (rows["planned_ways"] > 1).to_numpy()
    counts = np.isin(standing, (results.VALID, results.REDO)) & ~undirected
    live = np.flatnonzero(counts)
    test, last, unknown = results.newest(rows.take(live), runs, results.chosen(decisions))
    redo = standing[live] == results.REDO
    stopped = np.bincount(test, weights=redo & (last | unknown), minlength=1) > 0
    is_redo = stopped[test] if len(test) else np.zeros(0, "bool")
    unknown &= ~is_redo
    current = last & ~is_redo

    grade = np.where(current, "", "superseded").astype(object)
    why = np.full(len(live), "", dtype=object)
    why[~current & is_redo] = "decided to test again"
    grade[unknown], why[unknown] = "blocked", UNORDERED
    parts = [pd.DataFrame({"row": live, "current": current | unknown, "grade": grade, "why": why})]

    void = np.flatnonzero((standing == results.VOID) & ~undirected)
    parts.append(_part(void, False, "superseded", "repaired since"))
    blind = np.flatnonzero(undirected & (standing != results.VOID))
    parts.append(_part(blind, True, "blocked", UNDIRECTED))

    key = _tests(rows)
    answered = np.zeros(int(key.max(initial=-1)) + 1, dtype="bool")
    answered[key[live[current | unknown]]] = True
    held = np.flatnonzero(np.isin(standing, list(NOT_GRADED)) & ~undirected)
    only = held[~answered[key[held]]]
    newest_held = _latest(rows, only, key)
    for reason, (name, text) in NOT_GRADED.items():
        parts.append(_part(newest_held[standing[newest_held] == reason], True, name, text))

    beside = held[answered[key[held]]]
    doubts = {
        "unordered": rows.take(live[unknown]),
        "undirected": rows.take(blind),
        "in-doubt": rows.take(_newer(rows, beside, live[current], key)),
        "undated": rows.loc[results.undated_since_repair(rows, decisions)],
    }
    return pd.concat(parts, ignore_index=True), doubts


def _part(row: Ints, current: bool, grade: str, why: str) -> pd.DataFrame:
    return pd.DataFrame({"row": row, "current": current, "grade": grade, "why": why})


def _tests(rows: pd.DataFrame) -> Ints:
    return combined(
        *(codes(rows[c])[0] for c in ("link_id", "kind", "direction")),
        rows["wavelength_nm"].to_numpy(),
    )


def _latest(rows: pd.DataFrame, among: Ints, key: Ints) -> Ints:
    """Return, of the readings without a verdict, the last of each test by clock, place and id."""
    part = rows.take(among)
    order = np.lexsort(
        (
            codes(part["reading_id"], sort=True)[0],
            part["order"].to_numpy(),
            np.nan_to_num(part["utc_s"].to_numpy(), nan=-np.inf),
            key[among],
        )
    )
    ends = np.append(np.diff(key[among][order]) != 0, True) if len(among) else np.zeros(0, "bool")
    return cast(Ints, among[order[ends]])


def _newer(rows: pd.DataFrame, held: Ints, current: Ints, key: Ints) -> Ints:
    """Return those of the held readings that are not surely older than their test's result."""
    clock = np.full(int(key.max(initial=-1)) + 1, np.nan)
    clock[key[current]] = rows["utc_s"].to_numpy("float64")[current]
    seen = rows["utc_s"].to_numpy("float64")[held]
    return held[~(seen < clock[key[held]])]


def _means(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put the mean of both directions in the place of the two, where both are planned and there.

    Returns the rows to judge and the single directions behind each mean. A direction that waits
    for the other one is not graded.
    """
    paired = (rows["current"] & (rows["grade"] == "") & (rows["planned_ways"] == 2)).to_numpy()
    paired = paired & rows["kind"].isin(kinds.SUMMED).to_numpy()
    part = rows.loc[paired]
    common = ["link_id", "kind", "wavelength_nm", "reference_method", "cord_grade"]
    number = combined(
        *(codes(part[c])[0] for c in ("link_id", "kind", "cord_grade")),
        *(part[c].to_numpy() for c in ("wavelength_nm", "reference_method")),
    )
    complete = np.bincount(number, minlength=1)[number] == 2 if len(part) else np.zeros(0, "bool")
    both = part.loc[complete].sort_values([*common, "direction"], kind="stable")
    there, back = both.iloc[::2].reset_index(drop=True), both.iloc[1::2].reset_index(drop=True)
    mean = there.assign(
        direction="mean",
        loss_db=(there["loss_db"] + back["loss_db"]) / 2,
        power_dbm=np.nan,
        second_id=back["reading_id"],
        mean=True,
    )
    lone = pd.Series(paired, index=rows.index)
    lone.loc[both.index] = False
    rows = rows.assign(
        grade=rows["grade"].mask(lone, "blocked"), why=rows["why"].mask(lone, WAITS), mean=False
    )
    rest = rows.drop(index=both.index)
    return pd.concat([rest, mean], ignore_index=True), both.reset_index(drop=True)


def _judge(rows: pd.DataFrame, limits: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Give each row its deciding limit, margin, uncertainty, probability and grade."""
    limits = limits.reset_index(drop=True)
    row, limit = _matching(rows, limits)
    names = codes(limits["limit_name"], sort=True)[0] if len(limits) else np.zeros(0, "int64")
    wide = rows.take(row)
    bound = {b: _taken(limits[b], limit) for b in BOUNDS}
    loss, power = wide["loss_db"].to_numpy(), wide["power_dbm"].to_numpy()
    kind = wide["kind"]
    by_loss = kind.isin(kinds.LOSS).to_numpy() & ~np.isnan(loss)
    by_power = kind.isin(kinds.POWER).to_numpy() & ~by_loss
    value = np.select([by_loss, by_power], [loss, power], np.nan)
    low = np.select([by_loss, by_power], [bound["min_db"], bound["min_dbm"]], np.nan)
    high = np.select([by_loss, by_power], [bound["limit_db"], bound["max_dbm"]], np.nan)
    margin = decision.margin(value, low, high)

    fibre = _texts(limits["fibre_type"], limit)
    standard = _standard_uncertainty(wide, fibre, by_power, settings)
    standard = np.where(np.isnan(value), np.nan, standard)
    expanded = settings.coverage_factor * standard
    place = decision.verdict(margin, expanded, settings)
    place = np.where(kind.isin(kinds.LIGHT), _light(wide, limits, limit), place)

    order = np.lexsort((names[limit], np.nan_to_num(margin, nan=np.inf), row))
    first = order[np.append(True, np.diff(row[order]) != 0)] if len(order) else order
    at = limit[first]
    verdict = np.array([*decision.VERDICTS, "no-limit"], dtype=object)[place]
    pending = (rows["grade"] == "").to_numpy()
    out = rows.assign(
        limit_db=bound["limit_db"][first], min_db=bound["min_db"][first],
        min_dbm=bound["min_dbm"][first], max_dbm=bound["max_dbm"][first],
        margin_db=margin[first], uncertainty_db=expanded[first],
        p_conform=decision.p_conform(value, low, high, standard)[first],
        grade=np.where(pending, verdict[first], rows["grade"].to_numpy(dtype=object)),
        marginal=decision.marginal(margin, expanded)[first],
        limit_name=_texts(limits["limit_name"], at), clause=_texts(limits["clause"], at),
        limit_confirmed=_flags(limits["limit_confirmed"], at),
        limits=_all_limits(rows, row, limit, limits, margin, verdict, order),
        reading_ids=_ids(rows),
    )  # fmt: skip
    unlimited = (out["grade"] == "no-limit").to_numpy()
    reason = np.where(unlimited, _texts(limits["why_not"], at), rows["why"].to_numpy(dtype=object))
    return out.assign(why=reason)


def _matching(rows: pd.DataFrame, limits: pd.DataFrame) -> tuple[Ints, Ints]:
    """Return, for every row and each of its limits, the two positions; -1: it has no limit row."""
    links = pd.Index(limits["link_id"].unique())
    grades = pd.Index(("", "reference", "standard"))

    def key(table: pd.DataFrame) -> Ints:
        link = links.get_indexer(pd.Index(table["link_id"])).astype("int64")
        grade = grades.get_indexer(pd.Index(table["cord_grade"])).astype("int64") + 1
        within = (table["wavelength_nm"].to_numpy() * 10 + table["reference_method"].to_numpy()) * 4
        return np.where(link < 0, -1, link * 2**20 + within + grade)

    have = key(limits)
    order = np.argsort(have, kind="stable")
    wanted = key(rows)
    begin = np.searchsorted(have[order], wanted, "left")
    count = np.searchsorted(have[order], wanted, "right") - begin
    row = np.repeat(np.arange(len(rows)), np.maximum(count, 1))
    offset = begin[row] + occurrence(row)
    found = np.append(order, -1)[np.where(count[row] > 0, offset, len(order))]
    return row.astype("int64"), found.astype("int64")


def _taken(column: pd.Series, place: Ints) -> npt.NDArray[np.float64]:
    return np.append(column.to_numpy("float64"), np.nan)[place]


def _texts(column: pd.Series, place: Ints) -> npt.NDArray[np.object_]:
    return np.append(column.to_numpy(dtype=object), "")[place]


def _flags(column: pd.Series, place: Ints) -> Flags:
    return np.append(column.to_numpy(dtype="bool"), False)[place]


def _standard_uncertainty(
    wide: pd.DataFrame, fibre: npt.NDArray[np.object_], absolute: Flags, settings: Settings
) -> npt.NDArray[np.float64]:
    known = pd.Series(fibre).isin(MULTIMODE).to_numpy()
    unknown = fibre == ""
    of = uncertainty.Circumstances(
        absolute=absolute,
        multimode=known | (unknown & (wide["wavelength_nm"] < 1000).to_numpy()),
        method=wide["reference_method"].to_numpy(),
        standard_cords=(wide["cord_grade"] != "reference").to_numpy(),
        single_mating=wide["kind"].isin(("cord", "cord-check", "power")).to_numpy(),
        mean=wide["mean"].to_numpy(dtype="bool"),
        calibration_db=uncertainty.calibration(wide["meter_serial"], settings),
    )
    return uncertainty.standard(of, settings)


def _light(wide: pd.DataFrame, limits: pd.DataFrame, limit: Ints) -> Ints:
    """Judge continuity (light is there) and polarity (light is at the planned position)."""
    lit = (wide["state"] == "ok").to_numpy()
    wanted = np.append(limits["fibre_position"].to_numpy(), 0)[limit]
    at = wide["fibre_position"].to_numpy()
    polarity = (wide["kind"] == "polarity").to_numpy()
    good = np.where(polarity, lit & (at == wanted), lit)
    return np.where(polarity & ((wanted == 0) | (at == 0)), -1, np.where(good, 0, 3))


def _all_limits(
    rows: pd.DataFrame,
    row: Ints,
    limit: Ints,
    limits: pd.DataFrame,
    margin: npt.NDArray[np.float64],
    verdict: npt.NDArray[np.object_],
    order: Ints,
) -> pd.Series:
    """Write every limit of a row as JSON, strictest first, where it has several; else nothing.

    `order` sorts the limits by row and strictness.
    """
    order = order[np.bincount(row, minlength=len(rows))[row[order]] > 1]
    if not len(order):
        return pd.Series("", index=rows.index, dtype="str")
    fixed = pd.array([_one_limit(*one) for one in limits[
        ["limit_name", "limit_db", "clause", "limit_confirmed", "why_not"]
    ].itertuples(index=False)], dtype="str")  # fmt: skip
    steps, distinct = pd.factorize(margin[order])
    shown = pd.array(
        ["null" if np.isnan(m) else f"{m:.3f}" for m in distinct] + ["null"], dtype="str"
    )
    text = (
        pd.Series(fixed.take(limit[order]))
        + ', "margin_db": ' + pd.Series(shown.take(steps))
        + ', "grade": "' + pd.Series(verdict[order], dtype="str") + '"}'
    )  # fmt: skip
    of = row[order]
    rank = occurrence(of)
    text = pd.Series(np.where(rank == 0, "[", ", "), dtype="str") + text
    joined = text.loc[rank == 0].set_axis(of[rank == 0])
    for place in range(1, int(rank.max()) + 1):
        part = text.loc[rank == place].set_axis(of[rank == place])
        joined = joined + part.reindex(joined.index, fill_value="")
    closed: pd.Series = joined + "]"
    return closed.reindex(rows.index, fill_value="")


def _one_limit(name: str, limit_db: float, clause: str, confirmed: bool, why_not: str) -> str:
    """Write what a limit is apart from a reading, as an open JSON object."""
    one: dict[str, Any] = {
        "limit_name": name, "limit_db": _number(limit_db), "clause": clause,
        "confirmed": bool(confirmed), "why_not": why_not,
    }  # fmt: skip
    return json.dumps(one)[:-1]


def _number(value: float) -> float | None:
    return None if np.isnan(value) else round(value, 3)


def _ids(rows: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Write the ids behind each row as a JSON list."""
    one = ('["' + rows["reading_id"] + '"]').to_numpy(dtype=object)
    if "second_id" not in rows.columns:
        return one
    two = ('["' + rows["reading_id"] + '", "' + rows["second_id"].fillna("") + '"]').to_numpy(
        dtype=object
    )
    return np.where(rows["mean"].to_numpy(dtype="bool"), two, one)
