"""Records of one class from evidence to outcome."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules import labels
from rules.pairing import candidates, causes, gate, ledger, match, outcome, physics, weigh
from rules.pairing.bindings import Bindings
from rules.pairing.grid import Grid
from rules.pairing.outcome import Outcome
from rules.pairing.parameters import Parameters
from rules.settings import Settings

UNBOUND = -2


def settle(
    table: pd.DataFrame,
    measured: physics.Measured,
    way: np.ndarray,
    grid: Grid,
    links: pd.DataFrame,
    index: match.Index,
    bound: Bindings,
    fixed: np.ndarray,
    noted: np.ndarray,
    again: np.ndarray,
    parameters: Parameters,
    settings: Settings,
) -> tuple[Outcome, weigh.Weighed | None]:
    """Weigh the records of one class and settle them.

    fixed: the unit an answer gives each record, -1 where it is outside the plan, `UNBOUND` where
    nobody answered. noted: units that the crew noted as skipped or blocked. again: units that
    were repaired, whose second reading is expected.
    """
    names = table["label"].to_list()
    out = outcome.empty(len(names))
    job = np.array([labels.is_job_label(n, settings.job_labels) for n in names], dtype=bool)
    job &= fixed == UNBOUND
    if grid.units == 0:
        out.code[:] = np.where(job, "", "label-unknown")
        out.group[:] = table["run_id"].to_numpy(dtype=object)
        out.reason[:] = "the plan has no place for such a record"
        _leave_out(out, job)
        return out, None
    weighed = weigh.weigh(
        table, measured, way, grid, links, index, bound, fixed, noted, again, parameters, settings
    )
    # a label such as REF may be a link's own; only those the plan does not know are left out
    job &= np.array([not weighed.typed[n].full for n in names], dtype=bool)
    free = (fixed == UNBOUND) & ~job
    exempt = weighed.retest | np.isin(weighed.unit, again)
    loose = ((weighed.unit < 0) | (weighed.p_unit < 0.5)) & free
    claims = ledger.of_claims(
        grid, np.where(job, -1, weighed.unit), weighed.run_of, way, loose, noted, exempt
    )
    verdict = gate.judge(weighed, claims, parameters, settings.pairing_tolerance)
    accepted = (verdict.accepted & free) | (fixed >= 0)
    held = ~accepted & free
    code, group = causes.of_held(weighed, claims, verdict, held, names)
    site = np.where(weighed.unit >= 0, grid.site[np.maximum(weighed.unit, 0)], -1)
    out.site[:] = site
    out.status[accepted] = "paired"
    out.confidence[:] = np.where(fixed != UNBOUND, 1.0, verdict.confidence)
    out.code[:], out.group[:] = code, group
    only = np.array([weigh.only(weighed.typed[n]) for n in names], dtype=np.int64)
    out.typed_site[:] = np.where(only >= 0, grid.site[np.maximum(only, 0)], -1)
    second = weighed.second
    out.second[:] = np.where(second >= 0, grid.site[np.maximum(second, 0)], second)
    out.p_second[:] = weighed.p_second
    _words(out, weighed, claims, verdict, names)
    _leave_out(out, job)
    return out, weighed


def _leave_out(out: Outcome, job: np.ndarray) -> None:
    out.status[job] = "left-out"
    out.code[job] = ""
    out.confidence[job] = 0.0
    out.reason[job] = "label of the test set itself, no link"


def _words(
    out: Outcome, weighed: weigh.Weighed, claims: ledger.Ledger, verdict: gate.Verdict,
    names: list[str],
) -> None:  # fmt: skip
    """Write how and why in words, from the best state of each record."""
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
        for key, units in claims.unclaimed.items()
        if len(units) <= ledger.MOST_GAPS
    }
    stands = {
        ledger.CLEAN: "every port of the panel claimed once",
        ledger.BESIDE: "every port of the panel claimed once",
        ledger.GAP: "no reading of ",
        ledger.GAP_BESIDE: "no reading of ",
        ledger.PART: "panel tested in part",
        ledger.OPEN: "panel with gaps and double claims",
    }
    for record, name in enumerate(names):
        info = weighed.typed[name]
        words = said[int(form[record])]
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
            words += f"; {stands[int(claims.state[record])]}{gaps.get(key, '')}"
        out.reason[record] = words
        if form[record] <= candidates.OTHER_END and not regime[record]:
            out.how[record] = info.how or "normalised"
        else:
            out.how[record] = "inferred"
