"""What was settled of components, as it is kept: divided among parts of a job and joined again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Remembered:
    """What was settled for the records of one class, by component, in compact columns.

    runs: one row per run in order of run id: run_id, digest, component, records, previous (run id
    of what the same instrument did just before), surely_first and surely_last (its first and last
    record belong to sweeps), told (whether notes were part of the evidence); panels: component,
    panel; heads: component, head, count, often (whether the job had typed that name often); marks:
    component, mark (unit x 2, odd where it is to be measured again) of its panels; records: Outcome
    in the order of the runs; proofs: Evidence of those that have any, `row` being theirs among the
    records. Each component says for itself what it was settled on: parts that were settled at
    different times may come together.
    """

    runs: pd.DataFrame
    panels: pd.DataFrame
    heads: pd.DataFrame
    marks: pd.DataFrame
    records: pd.DataFrame
    proofs: pd.DataFrame

    @property
    def lost(self) -> Counter[str]:
        """Count the names of panels that the plan lacks."""
        return counted(self.heads)

    def of_runs(self, run_ids: Collection[str]) -> Remembered | None:
        """Return what was settled for some runs, whole components; None for none of the class."""
        mine = self.runs["run_id"].isin(run_ids).to_numpy()
        if not mine.any():
            return None
        component = self.runs["component"].loc[mine]
        record = np.repeat(mine, self.runs["records"])
        proven = record[self.proofs["row"]]
        row = (np.cumsum(record) - 1)[self.proofs["row"].loc[proven]]
        return replace(
            self,
            runs=self.runs.loc[mine].reset_index(drop=True),
            panels=self.panels.loc[self.panels["component"].isin(component)],
            heads=self.heads.loc[self.heads["component"].isin(component)],
            marks=self.marks.loc[self.marks["component"].isin(component)],
            records=_stretch(self.records, record).reset_index(drop=True),
            proofs=self.proofs.loc[proven].assign(row=row).reset_index(drop=True),
        )


def _stretch(frame: pd.DataFrame, rows: np.ndarray) -> pd.DataFrame:
    """Return some rows; nothing is copied where they lie together, as the runs of a meter do."""
    at = np.flatnonzero(rows)
    if len(at) and at[-1] - at[0] + 1 == len(at):
        return frame.iloc[at[0] : at[-1] + 1]
    return frame.take(at)


def joined(parts: Sequence[Remembered]) -> Remembered | None:
    """Put together what was settled of parts of one class that came near to each other."""
    if len(parts) < 2:
        return parts[0] if parts else None
    made: dict[str, list[pd.DataFrame]] = {}
    component = rows = 0
    for part in parts:
        for name in ("runs", "panels", "heads", "marks"):
            frame = getattr(part, name)
            made.setdefault(name, []).append(frame.assign(component=frame["component"] + component))
        made.setdefault("records", []).append(_spelled(part.records))
        made.setdefault("proofs", []).append(part.proofs.assign(row=part.proofs["row"] + rows))
        component += int(part.runs["component"].max()) + 1
        rows += len(part.records)
    whole = {name: pd.concat(frames, ignore_index=True) for name, frames in made.items()}
    return Remembered(**whole)


def _spelled(records: pd.DataFrame) -> pd.DataFrame:
    """Turn categories into texts: two tables seldom have the same."""
    short = [n for n, kind in records.dtypes.items() if isinstance(kind, pd.CategoricalDtype)]
    return records.assign(**{str(name): records[name].astype("str") for name in short})


def counted(heads: pd.DataFrame) -> Counter[str]:
    """Count the names in a table of heads."""
    out = Counter[str]()
    for head, count in zip(heads["head"], heads["count"].tolist(), strict=True):
        out[str(head)] += count
    return out
