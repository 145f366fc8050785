"""How the planned tests of each link stand, counted: what overviews read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ingest.schema import LINK_STATES
from rules import columns, tables
from rules.codes import FAILING


def count(states: pd.DataFrame, grades: pd.DataFrame) -> pd.DataFrame:
    """Count tests (TEST_STATES, GRADES) by link and state (LINK_STATES), in order of plan."""
    (tested, graded), links = columns.common_codes(states["link_id"], grades["link_id"])
    state, names = columns.codes(states["state"])
    cell = np.bincount(tested * len(names) + state, minlength=len(links) * len(names))
    counted = cell.reshape(len(links), len(names))
    failing = grades["grade"].isin(FAILING).to_numpy()
    out = {"link_id": links, "tests": counted.sum(axis=1)}
    out |= {str(name).replace("-", "_"): counted[:, at] for at, name in enumerate(names)}
    out["over"] = np.bincount(graded[failing], minlength=len(links))
    first = np.full(len(links), len(states))
    first[tested[::-1]] = np.arange(len(states))[::-1]
    planned = np.argsort(first, kind="stable")[: int((first < len(states)).sum())]
    return tables.conform(pd.DataFrame(out).take(planned), LINK_STATES)
