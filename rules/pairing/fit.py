"""Fit the parameters to a job: rates from its records, confidence from crews on its plan."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pandas as pd

from rules.evaluation import Decisions, Plan
from rules.pairing import calibrate, crews, engine, gate, grid, ledger, sites
from rules.pairing.candidates import SHIFTS
from rules.pairing.parameters import Calibration, Parameters
from rules.pairing.weigh import Weighed
from rules.settings import Settings

PRIOR_RECORDS = 2000.0
"""Weight of the shipped rates against the job's records."""
PRIOR_CASES = 1000.0
"""Weight of the shipped calibration in every bin against the plan's own simulated cases."""
ROUNDS = 2
CARES = (0.0, 0.2, 0.4, 0.6, 0.8)
"""Crews from careful to careless that the calibration is drawn from; the most careless (1) would
make every case look worse than it is for all others."""
LEAST_RECORDS = 10_000
MOST_UNITS = 3000
"""A larger plan is calibrated on its first panels."""
DECIMALS = 6


def fit(
    plan: Plan, working: pd.DataFrame, decisions: Decisions, start: Parameters, settings: Settings
) -> Parameters:
    """Return parameters fitted to the job; the same tables give the same values.

    working: as `engine.pair` takes it. Rates are pulled towards those of `start`.
    """
    fitted = start
    for _ in range(ROUNDS):
        fitted = _rates(plan, working, decisions, fitted, start, settings)
    found = cases(plan, fitted, settings)
    return replace(fitted, calibration=calibration(found, start.calibration)) if found else fitted


def _rates(
    plan: Plan, working: pd.DataFrame, decisions: Decisions, now: Parameters, start: Parameters,
    settings: Settings,
) -> Parameters:  # fmt: skip
    """Count skips, retests and slips on the most probable path, with the shipped rates as prior."""
    counts = dict.fromkeys(("steps", "skip", "retest", "slip", "slip_after_skip"), 0.0)
    for weighed in engine.weighed(plan, working, decisions, now, settings):
        state = gate.best_states(weighed)
        unit, regime = weighed.unit, weighed.states.regime[state]
        near = (weighed.run_of[1:] == weighed.run_of[:-1]) & (unit[1:] >= 0) & (unit[:-1] >= 0)
        panel = weighed.grid.panel[np.maximum(unit, 0)]
        near &= (panel[1:] == panel[:-1]) & (regime[1:] < len(SHIFTS)) & (regime[:-1] < len(SHIFTS))
        move = (unit[1:] - unit[:-1]) * weighed.sign[1:]
        shift = np.array(SHIFTS)[np.minimum(regime, len(SHIFTS) - 1)]
        slipped = (shift[1:] != shift[:-1]) & (shift[1:] != 0)
        skipped = near & (move == 2)
        counts["steps"] += float(near.sum())
        counts["skip"] += float(skipped.sum())
        counts["retest"] += float((near & (move == 0)).sum())
        counts["slip"] += float((near & slipped & (move == 1)).sum())
        counts["slip_after_skip"] += float((skipped & slipped).sum())

    def share(hits: float, of: float, usual: float, weight: float) -> float:
        return round((hits + weight * usual) / (of + weight), DECIMALS)

    return replace(
        now,
        skip=share(counts["skip"], counts["steps"], start.skip, PRIOR_RECORDS),
        retest=share(counts["retest"], counts["steps"], start.retest, PRIOR_RECORDS),
        slip=share(counts["slip"], counts["steps"], start.slip, PRIOR_RECORDS),
        slip_after_skip=share(
            counts["slip_after_skip"], counts["skip"], start.slip_after_skip, 0.02 * PRIOR_RECORDS
        ),
    )


Cases = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Stratum, probability and whether the place was right, per record."""


def cases(plan: Plan, parameters: Parameters, settings: Settings) -> list[Cases]:
    """Let invented crews work through a plan, seeded by its link ids, and pair what they did."""
    links = plan.links
    layout = grid.of_sites(sites.of_plan(links), links, pairs=False)
    if layout.units == 0:
        return []
    if layout.units > MOST_UNITS:
        links = links.iloc[np.sort(layout.link[:MOST_UNITS])].reset_index(drop=True)
        layout = grid.of_sites(sites.of_plan(links), links, pairs=False)
    seed = int(hashlib.sha256("\n".join(links["link_id"]).encode()).hexdigest()[:12], 16)
    rng = np.random.default_rng(seed)
    repeats = max(1, -(-LEAST_RECORDS // (len(CARES) * layout.units)))
    found = []
    for care in CARES * repeats:
        table, truth = crews.work(layout, links, rng, care)
        if table.empty:
            continue
        for weighed in engine.weighed(Plan(links), table, Decisions(), parameters, settings):
            verdict = judged(weighed, parameters, settings)
            right = weighed.unit == truth[weighed.records - 1]
            found.append((verdict.stratum, weighed.p_unit, right))
    return found


def judged(weighed: Weighed, parameters: Parameters, settings: Settings) -> gate.Verdict:
    """Judge records of a job without answers, notes or repairs."""
    loose = (weighed.unit < 0) | (weighed.p_unit < 0.5)
    none = np.zeros(0, dtype=np.int64)
    claims = ledger.of_claims(
        weighed.grid, weighed.unit, weighed.run_of, weighed.way, loose, none, weighed.retest,
        gate.vague(weighed), weighed.sign, gate.misfit(weighed),
    )  # fmt: skip
    return gate.judge(weighed, claims, parameters, settings.pairing_tolerance)


def calibration(found: list[Cases], prior: Calibration = ()) -> Calibration:
    """Fit the step maps to cases; `prior` counts like `PRIOR_CASES` in every bin."""
    stratum, probability, right = (np.concatenate(part) for part in zip(*found, strict=True))
    return calibrate.fit(stratum, probability, right, prior, PRIOR_CASES)


def as_json(parameters: Parameters) -> dict[str, object]:
    """Return the fitted values as plain lists and numbers, for the journal."""
    return {
        "skip": parameters.skip,
        "retest": parameters.retest,
        "slip": parameters.slip,
        "slip_after_skip": parameters.slip_after_skip,
        "calibration": [
            [name, [list(knot) for knot in knots]] for name, knots in parameters.calibration
        ],
    }
