"""Why one link has the readings it has: the evidence of each record, term by term."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from rules.evaluation import Decisions, Plan
from rules.pairing import engine, questions
from rules.pairing.ground import Ground
from rules.pairing.parameters import Parameters
from rules.pairing.settle import SWEPT
from rules.settings import Settings

BASES = {
    "weighed": "all evidence was weighed",
    "sweep": "Taken port by port under the planned labels: every port of the panel once, in "
    "order, and nobody else claims one. Nothing had to be weighed.",
    "answer": "A person decided; nothing was weighed against it.",
}
"""What a pair rests on, in words."""


def explain(
    plan: Plan, working: pd.DataFrame, decisions: Decisions, parameters: Parameters,
    settings: Settings, reading_ids: Sequence[str],
) -> list[dict[str, Any]]:  # fmt: skip
    """Return the evidence for the places of some readings, one value per record, in time order.

    The arguments are those of `engine.pair`, so that the evidence is the one that was decided by.
    Keys: reading_ids; label; basis (of BASES); terms (`term`, `weight` in bits over the runner-up,
    `text`; the last is their total; empty where nothing was weighed); runner_up (`place`,
    `probability`, `reading`: what the labels would be off by; None without one); neighbours
    (texts, the records before and after it).
    """
    done = engine.settled(Ground(plan, parameters, settings), working, decisions)
    ids = working["reading_id"].to_numpy(dtype=object)
    asked = np.flatnonzero(np.isin(ids, list(reading_ids)) & (done.made.record_of >= 0))
    names = done.made.table["label"].to_list()
    runs = done.made.table["run_id"].to_list()
    out = []
    for record in np.unique(done.made.record_of[asked]).tolist():
        mine = sorted(ids[asked[done.made.record_of[asked] == record]].tolist())
        answered = any(i in done.bound.links or i in done.bound.statuses for i in mine)
        swept = done.found.reason[record] == SWEPT
        basis = "answer" if answered else "sweep" if swept else "weighed"
        around = questions.neighbours([record], names, runs, done.found, done.place, "this one")
        out.append(
            {
                "reading_ids": mine,
                "label": names[record],
                "basis": basis,
                "terms": done.explained.terms([record]) if basis == "weighed" else [],
                "runner_up": _runner_up(done, record) if basis == "weighed" else None,
                "neighbours": [entry["text"] for entry in around],
            }
        )
    return out


def _runner_up(done: engine.Settled, record: int) -> dict[str, Any] | None:
    site = int(done.found.second[record])
    if site < -1:
        return None
    place = done.place.name(site) if site >= 0 else "outside the plan"
    return {
        "place": place,
        "probability": round(float(done.found.p_second[record]), 6),
        "reading": done.explained.rival_reading(record),
    }
