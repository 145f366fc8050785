"""The judgement of results: which limits apply, which of them decides, and how it comes out."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from rules import decision, kinds, results, uncertainty
from rules.codes import KINDS
from rules.columns import Flags, Floats, Ints, codes, few, occurrence
from rules.fibres import MULTIMODE
from rules.results import Candidates
from rules.settings import Settings

GRADES = (*decision.VERDICTS, "no-limit", "blocked", "no-reference", "superseded")
"""Grades by number; -1 is to be judged."""
PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL, FAIL, NO_LIMIT, BLOCKED, NO_REFERENCE, SUPERSEDED = range(
    8
)
OPEN = -1
CASES = 128
"""Circumstances of an uncertainty, apart from the meter of an absolute power."""


@dataclass(frozen=True)
class Judged:
    """Rows with their `grade` (place in GRADES), and beside each the limit that decides."""

    rows: pd.DataFrame
    deciding: Ints
    """Row of the limit table; -1 where there is none."""
    measures: dict[str, npt.NDArray[Any]]
    """margin_db, uncertainty_db (expanded), p_conform, marginal."""
    limits: pd.Series
    """Every limit of a row as JSON, strictest first, where it has several; else empty."""
    applied: pd.DataFrame
    """One row per row and limit: `row`, `limit` (row of the limit table)."""
    table: pd.DataFrame
    """The limit table."""

    def take(self, order: Ints) -> Judged:
        """Return the rows, and what lies beside them, in another order; `applied` stays."""
        return replace(
            self,
            rows=self.rows.take(order).reset_index(drop=True),
            deciding=self.deciding[order],
            measures={name: values[order] for name, values in self.measures.items()},
            limits=self.limits.take(order).reset_index(drop=True),
        )


class Judge:
    """Judges rows of candidates by one table of limits, prepared once."""

    def __init__(
        self, limits: pd.DataFrame, links: Ints, found: Candidates, settings: Settings
    ) -> None:
        """Prepare LIMIT_ROWS for look-up; `links` are the numbers of their links."""
        self.limits = limits
        self.found = found
        self.settings = settings
        key = _key(
            links,
            results.kind_numbers(limits["kind"]),
            limits["wavelength_nm"].to_numpy(),
            limits["reference_method"].to_numpy(),
            results.cord_numbers(limits["cord_grade"]),
        )
        self.order = np.argsort(key, kind="stable")
        self.keys = key[self.order]
        self.single = bool((self.keys[1:] > self.keys[:-1]).all())
        """Every key has one limit."""
        fibre, fibres = codes(limits["fibre_type"])
        known = np.array([f in MULTIMODE for f in fibres] or [False], dtype="bool")
        self.multimode = np.append(known[fibre], False) if len(limits) else known
        name, names = codes(limits["limit_name"], sort=True)
        self.names = np.append(name, len(names))

    def of(self, rows: pd.DataFrame) -> Judged:
        """Judge rows; those that already have a grade keep it and get their numbers."""
        row, limit = self._matching(rows)
        value, low, high, by_power = self._compared(rows, row, limit)
        margin = decision.margin(value, low, high)
        standard = self._standard(rows, row, limit, by_power)
        standard = np.where(np.isnan(value), np.nan, standard)
        expanded = self.settings.coverage_factor * standard
        place = decision.verdict(margin, expanded, self.settings)
        light = results.of_kind(rows, kinds.LIGHT)
        if light.any():
            place = np.where(light[row], self._light(rows, row, limit), place)
        order, measures = row, {
            "margin_db": margin,
            "uncertainty_db": expanded,
            "p_conform": decision.p_conform(value, low, high, standard),
            "marginal": decision.marginal(margin, expanded),
        }  # fmt: skip
        deciding, verdicts = limit, np.where(place < 0, NO_LIMIT, place)
        if len(row) > len(rows):
            order = np.lexsort((self.names[limit], np.nan_to_num(margin, nan=np.inf), row))
            first = order[np.append(True, np.diff(row[order]) != 0)]
            measures = {name: values[first] for name, values in measures.items()}
            deciding, verdicts = limit[first], verdicts[first]
        grade = rows["grade"].to_numpy()
        return Judged(
            rows.assign(grade=np.where(grade == OPEN, verdicts, grade).astype("int8")),
            deciding,
            measures,
            self._listed(len(rows), row, limit, margin, place, order),
            pd.DataFrame({"row": row, "limit": limit}),
            self.limits,
        )

    def _matching(self, rows: pd.DataFrame) -> tuple[Ints, Ints]:
        """Return, for every row and each of its limits, the two positions; -1: it has no limit."""
        wanted = _key(
            *(rows[c].to_numpy() for c in ("link", "kind", "wavelength_nm", "method", "cords"))
        )
        begin = np.searchsorted(self.keys, wanted, "left")
        last = np.append(self.order, -1)
        if self.single:
            there = np.append(self.keys, -1)[begin] == wanted
            return np.arange(len(rows)), last[np.where(there, begin, len(self.order))]
        count = np.searchsorted(self.keys, wanted, "right") - begin
        row = np.repeat(np.arange(len(rows)), np.maximum(count, 1))
        place = np.where(count[row] > 0, begin[row] + occurrence(row), len(self.order))
        return row, last[place]

    def _compared(
        self, rows: pd.DataFrame, row: Ints, limit: Ints
    ) -> tuple[Floats, Floats, Floats, Flags]:
        """Return value, lowest and highest allowed, and whether the value is a power."""
        loss, power = rows["loss_db"].to_numpy(), rows["power_dbm"].to_numpy()
        by_loss = results.of_kind(rows, kinds.LOSS) & ~np.isnan(loss)
        by_power = results.of_kind(rows, kinds.POWER) & ~by_loss
        value = np.where(by_loss, loss, np.where(by_power, power, np.nan))
        value, by_loss, by_power = (_beside(part, row) for part in (value, by_loss, by_power))

        def bound(of_loss: str, of_power: str) -> Floats:
            out = np.full(len(limit), np.nan)
            for flags, name in ((by_loss, of_loss), (by_power, of_power)):
                given = self.limits[name].to_numpy()
                if flags.any() and not np.isnan(given).all():
                    out = np.where(flags, np.append(given, np.nan)[limit], out)
            return out

        return value, bound("min_db", "min_dbm"), bound("limit_db", "max_dbm"), by_power

    def _standard(self, rows: pd.DataFrame, row: Ints, limit: Ints, absolute: Flags) -> Floats:
        """Return the standard uncertainty; every circumstance there may be is worked out once."""
        fibre_known = limit >= 0
        multimode = np.where(
            fibre_known,
            self.multimode[limit],
            _beside(rows["wavelength_nm"].to_numpy() < 1000, row),
        )
        single = results.of_kind(rows, uncertainty.SINGLE_MATING)
        mean = rows["way"].to_numpy() == results.WAYS.index("mean")
        method = np.clip(rows["method"].to_numpy(), 0, 3)
        own = (
            (single * 2 + mean) * 4 + method
        ) * 2 + (rows["cords"].to_numpy() != 1)  # fmt: skip
        case = (_beside(own, row) * 2 + multimode) * 2 + absolute
        calibration: Floats = np.zeros(0)
        if absolute.any():
            number, serials = codes(self.found.working["meter_serial"])
            calibration = uncertainty.calibration(pd.Series(serials, dtype="str"), self.settings)
            meter = number[rows["at"].to_numpy()][row] + 1
            case = case + CASES * np.where(absolute, meter, 0)
        every = np.arange(CASES * (len(calibration) + 1))
        bits = every % CASES
        of = uncertainty.Circumstances(
            absolute=(bits & 1) > 0,
            multimode=(bits & 2) > 0,
            standard_cords=(bits & 4) > 0,
            method=(bits >> 3) & 3,
            mean=(bits & 32) > 0,
            single_mating=(bits & 64) > 0,
            calibration_db=np.append(0.0, calibration)[every // CASES],
        )
        by_case: Floats = uncertainty.standard(of, self.settings)
        return np.asarray(by_case[case])

    def _light(self, rows: pd.DataFrame, row: Ints, limit: Ints) -> Ints:
        """Judge continuity (light is there) and polarity (light is at the planned position)."""
        lit = rows["lit"].to_numpy()[row]
        wanted = np.append(self.limits["fibre_position"].to_numpy(), 0)[limit]
        at = self.found.of("fibre_position", rows)[row]
        polarity = results.of_kind(rows, ("polarity",))[row]
        good = np.where(polarity, lit & (at == wanted), lit)
        return np.where(polarity & ((wanted == 0) | (at == 0)), -1, np.where(good, 0, 3))

    def _listed(
        self, size: int, row: Ints, limit: Ints, margin: Floats, place: Ints, order: Ints
    ) -> pd.Series:
        """Write every limit of a row as JSON, strictest first, where it has several."""
        if len(row) == size:
            return few([""], np.zeros(size, dtype="int64"))
        order = order[np.bincount(row, minlength=size)[row[order]] > 1]
        known = self.limits[["limit_name", "limit_db", "why_not"]]
        # few texts stand behind many rows: each distinct one is written once
        named, fixed = _written(known, limit[order])
        steps, distinct = pd.factorize(margin[order])
        shown = ["null" if np.isnan(m) else f"{m:.3f}" for m in distinct] + ["null"]
        graded = np.where(place < 0, NO_LIMIT, place)[order]
        text = (
            pd.Series(fixed.take(named))
            + pd.Series(pd.array(shown, dtype="str").take(steps))
            + pd.Series(pd.array([f', "grade": "{g}"}}' for g in GRADES], dtype="str").take(graded))
        ).array  # fmt: skip
        text = pd.concat([pd.Series(text), pd.Series([""], dtype="str")]).array
        of = row[order]
        rank = occurrence(of)
        joined = pd.Series("", index=pd.RangeIndex(size), dtype="str")
        for nth in range(int(rank.max(initial=0)) + 1):
            at = np.full(size, len(of))
            at[of[rank == nth]] = np.flatnonzero(rank == nth)
            comma = pd.array(["", ", " if nth else "["], dtype="str").take((at < len(of)) * 1)
            joined = joined + pd.Series(comma) + pd.Series(text.take(at))
        ending = np.zeros(size, dtype="int64")
        ending[of] = 1
        return joined + pd.Series(pd.array(["", "]"], dtype="str").take(ending))


def _written(limits: pd.DataFrame, rows: Ints) -> tuple[Ints, Any]:
    """Write what limits are apart from a reading, as open JSON objects, each distinct one once.

    Returns for each of `rows` (of `limits`) the place of its text, and the texts.
    """
    distinct = limits.drop_duplicates()
    groups = limits.groupby(list(limits.columns), sort=False, dropna=False)
    number: Any = groups.ngroup().to_numpy()
    texts = []
    for name, limit_db, why_not in distinct.itertuples(index=False):
        one: dict[str, Any] = {"limit_name": name}
        one["limit_db"] = None if np.isnan(limit_db) else round(limit_db, 3)
        if why_not:
            one["why_not"] = why_not
        texts.append(json.dumps(one)[:-1] + ', "margin_db": ')
    return number[rows], pd.array(texts, dtype="str")


def _beside(values: npt.NDArray[Any], row: Ints) -> npt.NDArray[Any]:
    """Repeat what each row has beside every one of its limits; mostly there is one each."""
    return values if len(values) == len(row) else values[row]


def _key(link: Ints, kind: Ints, nm: Ints, method: Ints, cords: Ints) -> Ints:
    """Put what a limit is looked up by into one number; wavelengths are below 2048 nm."""
    return (((link * len(KINDS) + kind) * 2048 + nm) * 4 + np.clip(method, 0, 3)) * 4 + cords
