"""How the planned tests of each link stand, counted: what overviews read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ingest.schema import LINK_STATES
from rules import columns, tables
from rules.codes import FAILING
from rules.evaluation import Evaluation


def count(made: Evaluation) -> pd.DataFrame:
    """Count an evaluation's tests by link and state (LINK_STATES), in order of plan."""
    states = made.test_states
    (tested, graded), links = columns.common_codes(states["link_id"], made.grades["link_id"])
    state, names = columns.codes(states["state"])
    cell = np.bincount(tested * len(names) + state, minlength=len(links) * len(names))
    counted = cell.reshape(len(links), len(names))
    failing = made.grades["grade"].isin(FAILING).to_numpy()
    out = {"link_id": links, "tests": counted.sum(axis=1)}
    out |= {str(name).replace("-", "_"): counted[:, at] for at, name in enumerate(names)}
    out["over"] = np.bincount(graded[failing], minlength=len(links))
    first = np.full(len(links), len(states))
    first[tested[::-1]] = np.arange(len(states))[::-1]
    planned = np.argsort(first, kind="stable")[: int((first < len(states)).sum())]
    return tables.conform(pd.DataFrame(out).take(planned), LINK_STATES)
