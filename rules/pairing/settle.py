"""Records of one class from evidence to outcome."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules import labels
from rules.pairing import bench, candidates, causes, gate, ledger, outcome, sweeps, weigh
from rules.pairing.case import UNBOUND, Case
from rules.pairing.outcome import Outcome
from rules.pairing.sites import Sites
from rules.settings import Settings

SWEPT = "label as planned; every port of the panel claimed once, in order"
"""Reason of every record of a sweep, and of no other."""
OF_RUN = "\x1f"
"""In the group of a cause within one run: run id, class and cause; in no other group."""


@dataclass(frozen=True)
class Part:
    """The outcome of some records; the unit that each label names and the sweep it stands in (-1
    none); and the evidence of those that had to be weighed.
    """

    found: Outcome
    named: np.ndarray
    sweep: np.ndarray
    weighed: weigh.Weighed | None


def settle(case: Case, place: Sites, *, pairs: bool) -> Part:
    """Settle the records of one class; those that had to be weighed come with their evidence.

    place: the sites that the class's grid is laid out over, `pairs` whether as pairs of fibres.
    """
    out = outcome.empty(len(case.table))
    fixed, settings = case.fixed, case.settings
    if case.grid.units == 0:
        job = _of_the_set(case.names, settings) & (fixed == UNBOUND)
        out.code[:] = np.where(job, "", "label-unknown")
        out.group[:] = case.table["run_id"].to_numpy(dtype=object)
        out.reason[:] = "the plan has no place for such a record"
        _leave_out(out, job)
        none = np.full(len(case.table), -1, dtype=np.int64)
        return Part(out, none, none, None)
    named, sweep, weighed = _weigh(case, place, pairs=pairs)
    swept = sweep >= 0
    unit = np.where(swept, named, -1)
    _sweeps(out, case, unit, swept)
    if weighed is None:
        return Part(out, named, sweep, None)
    rows, names = weighed.rows, weighed.names
    mine = ~swept[rows]
    unit[rows] = weighed.unit
    # a label such as REF may be a link's own; only those the plan does not know are left out
    job = _of_the_set(names, settings) & (fixed[rows] == UNBOUND)
    job &= np.array([not weighed.typed[n].full for n in names], dtype=bool)
    free = (fixed[rows] == UNBOUND) & ~job & mine
    exempt = np.zeros(len(unit), dtype=bool)
    exempt[rows] = weighed.retest | np.isin(weighed.unit, case.again)
    loose = np.zeros(len(unit), dtype=bool)
    loose[rows] = ((weighed.unit < 0) | (weighed.p_unit < 0.5)) & free
    vague = np.zeros(len(unit), dtype=bool)
    vague[rows] = gate.vague(weighed) & free
    sign = np.ones(len(unit), dtype=np.int64)
    sign[rows] = weighed.sign
    misfit = np.zeros(len(unit), dtype=bool)
    misfit[rows] = gate.misfit(weighed) & free
    unit[rows[job]] = -1
    every = ledger.of_claims(
        case.grid, unit, case.run, case.way, loose, case.noted, exempt, vague, sign, misfit
    )
    claims = every.take(rows)
    verdict = gate.judge(weighed, claims, case.parameters, settings.pairing_tolerance)
    accepted = (verdict.accepted & free) | (fixed[rows] >= 0)
    code, group = causes.of_held(weighed, claims, verdict, ~accepted & free, names)
    run_ids = case.table["run_id"].to_numpy(dtype=object)[rows]
    # numbers of runs depend on what else is settled, and may be the other class's too
    group = np.where(group != "", run_ids + f"{OF_RUN}{pairs}{OF_RUN}" + group, "")
    site = np.where(weighed.unit >= 0, case.grid.site[np.maximum(weighed.unit, 0)], -1)
    only = np.array([bench.only(weighed.typed[n]) for n in names], dtype=np.int64)
    how, reason = _words(weighed, claims, verdict, names)
    second = weighed.second
    found = outcome.Outcome(
        site,
        np.where(accepted, "paired", "question").astype(object),
        how,
        np.where(fixed[rows] != UNBOUND, 1.0, verdict.confidence),
        reason,
        code,
        group,
        np.where(only >= 0, case.grid.site[np.maximum(only, 0)], -1),
        np.where(second >= 0, case.grid.site[np.maximum(second, 0)], second),
        weighed.p_second,
    )
    _leave_out(found, job)
    for name in outcome.FIELDS:
        getattr(out, name)[rows[mine]] = getattr(found, name)[mine]
    return Part(out, named, sweep, weighed)


def _weigh(
    case: Case, place: Sites, *, pairs: bool
) -> tuple[np.ndarray, np.ndarray, weigh.Weighed | None]:
    """Return what labels name, the sweeps that stand, and the evidence for all other records."""
    named = np.full(len(case.table), -1, dtype=np.int64)
    sweep = named
    p = case.parameters
    if p.sweeps and p.order and p.shift and p.one_to_one and p.physics:
        named = sweeps.named(case.table["label"], case.grid, place, pairs=pairs)
        sweep = sweeps.find(case, named)
    return named, *weigh.weigh(case, named, sweep)


def _sweeps(out: Outcome, case: Case, unit: np.ndarray, swept: np.ndarray) -> None:
    """Fill in the outcome of the records of sweeps."""
    site = case.grid.site[unit[swept]]
    out.site[swept], out.typed_site[swept] = site, site
    out.status[swept], out.how[swept] = "paired", "exact"
    out.confidence[swept] = gate.surest(case.parameters)
    out.reason[swept] = SWEPT


def _of_the_set(names: list[str], settings: Settings) -> np.ndarray:
    found = {n: labels.is_job_label(n, settings.job_labels) for n in set(names)}
    return np.array([found[n] for n in names], dtype=bool)


def _leave_out(out: Outcome, job: np.ndarray) -> None:
    out.status[job] = "left-out"
    out.code[job] = ""
    out.confidence[job] = 0.0
    out.reason[job] = "label of the test set itself, no link"


def _words(
    weighed: weigh.Weighed, claims: ledger.Ledger, verdict: gate.Verdict, names: list[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Say how and why in words, from the best state of each record."""
    how = np.full(len(names), "inferred", dtype=object)
    reason = np.full(len(names), "", dtype=object)
    form = weighed.states.form[verdict.state]
    regime = weighed.states.regime[verdict.state]
    said = {
        candidates.EXACT: "label as planned",
        candidates.NORMALISED: "label equal after normalising",
        candidates.OTHER_END: "label of one end",
        candidates.TAIL: "shortened label",
        candidates.MISTYPED: "label mistyped",
        candidates.UNRELATED: "label of something else",
        candidates.MISSING: "no label",
        candidates.OUTSIDE: "outside the plan",
    }
    grid = weighed.grid
    gaps = {
        key: ", ".join(grid.texts(unit)[0] for unit in units[:2])
        + (f" and {len(units) - 2} more" if len(units) > 2 else "")
        for key, units in claims.unclaimed.items()
    }
    stands = {
        ledger.CLEAN: "every port of the panel claimed once",
        ledger.BESIDE: "every port of the panel claimed once",
        ledger.PASSED: "no reading of ",
        ledger.PASSED_BESIDE: "no reading of ",
        ledger.GAP: "no reading of ",
        ledger.GAP_BESIDE: "no reading of ",
        ledger.PART: "panel tested in part",
        ledger.OPEN: "panel with gaps and double claims",
    }
    for record, name in enumerate(names):
        info = weighed.typed[name]
        words = said[int(form[record])]
        if weighed.astray[record]:
            words = "the panel named is out of order, and one of a like name has no reading"
        if info.read_as:
            words = f"label read as {info.read_as} by an alias of this job"
        if info.retest:
            words += ", retest ending dropped"
        if regime[record]:
            words += f", labels off: {candidates.REGIMES[regime[record]]}"
        if claims.rival[record]:
            words += "; another reading claims the link"
        elif weighed.unit[record] >= 0:
            key = int(grid.panel[weighed.unit[record]]), int(weighed.way[record])
            said_of = stands[int(claims.state[record])]
            words += f"; {said_of}{gaps.get(key, '') if said_of.endswith(' ') else ''}"
        reason[record] = words
        if form[record] <= candidates.OTHER_END and not regime[record]:
            how[record] = info.how or "normalised"
    return how, reason
