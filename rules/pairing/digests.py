"""Numbers that tell whether what pairing is given of a run, or of the whole job, changed."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from rules import columns
from rules.evaluation import Plan
from rules.pairing import match
from rules.pairing.bindings import Bindings
from rules.pairing.parameters import Parameters
from rules.pairing.records import Records
from rules.settings import Settings
from rules.version import __version__

PLANNED = (
    "link_id", "kind", "fibre_type", "a_end", "b_end", "cable", "building", "floor", "area",
    "route", "pair", "pair_position", "position", "length_m", "connections", "splices",
)  # fmt: skip
"""Columns of the plan that pairing reads."""


def ground(plan: Plan, parameters: Parameters, settings: Settings) -> str:
    """Return the digest of what every run is paired by: the plan, in its order, and all rates."""
    out = hashlib.sha256(repr((__version__, asdict(parameters), asdict(settings))).encode())
    links = pa.Table.from_pandas(plan.links[[*PLANNED]], preserve_index=False).combine_chunks()
    with pa.PythonFile(_Into(out), "w") as sink, pa.ipc.new_stream(sink, links.schema) as stream:
        stream.write_table(links)
    return out.hexdigest()


class _Into(io.RawIOBase):
    """What is written goes into a digest, and nowhere else."""

    def __init__(self, digest: Any) -> None:
        self._digest = digest

    def writable(self) -> bool:
        """Say that it can be written into: Arrow asks."""
        return True

    def write(self, data: Any) -> int:
        """Take bytes in."""
        self._digest.update(data)
        return len(data)


def of_records(
    working: pd.DataFrame, made: Records, bound: Bindings, answered: np.ndarray
) -> np.ndarray:
    """Return the digest of each record: its label, its readings, and what answers say of them.

    answered: rows of the readings that answers name (`bindings.concerned`).
    64 bits each (uint64). Not among it: the clock and the meter, which matter to pairing only as
    the order of records and of runs.
    """
    used = np.flatnonzero(made.record_of >= 0)
    record = made.record_of[used]

    def bits(name: str) -> np.ndarray:
        values = working[name].to_numpy(dtype=float)[used]
        return np.where(np.isnan(values), np.nan, values).view(np.uint64)

    ids = working["reading_id"]
    number, names = columns.codes(working["direction"])
    parts = (
        _texts(ids.array if len(used) == len(ids) else ids.array.take(used)),
        _texts(names)[number[used]],
        working["wavelength_nm"].to_numpy(dtype=np.int64)[used].view(np.uint64),
        working["fibre_position"].to_numpy(dtype=np.int64)[used].view(np.uint64),
        bits("loss_db"),
        bits("length_m"),
        _answers(ids, bound, answered)[used],
    )
    total = np.zeros(len(made.table), dtype=np.uint64)
    np.add.at(total, record, folded(*parts))
    of_label = _texts(made.table["label"].array)
    if bound.aliases:
        label, texts = columns.codes(made.table["label"])
        renamed = [match.renamed(str(text), bound.aliases) for text in texts]
        of_label = folded(of_label, _texts(renamed)[label])
    return folded(total, of_label, made.table["record"].to_numpy(np.int64).view(np.uint64))


def placed(record: np.ndarray, made: Records) -> np.ndarray:
    """Fold into the digest of each record its place in its run, among records of either class."""
    run = pd.factorize(made.table["run_id"])[0]
    place = np.arange(len(run)) - np.searchsorted(run, run)
    return folded(record, place.astype(np.uint64))


def of_runs(record: np.ndarray, run: np.ndarray) -> np.ndarray:
    """Return the digest of each run from those of its records in their places."""
    total = np.zeros(int(run.max(initial=-1)) + 1, dtype=np.uint64)
    np.add.at(total, run, record)
    return total


def folded(*parts: np.ndarray) -> np.ndarray:
    """Mix columns of 64 bits into one, row by row (the finaliser of splitmix64, public domain)."""
    out = np.zeros(len(parts[0]), dtype=np.uint64)
    for part in parts:
        out = out * np.uint64(0x9E3779B97F4A7C15) + part + np.uint64(0x632BE59BD9B4E019)
        out ^= out >> np.uint64(30)
        out *= np.uint64(0xBF58476D1CE4E5B9)
        out ^= out >> np.uint64(27)
        out *= np.uint64(0x94D049BB133111EB)
        out ^= out >> np.uint64(31)
    return out


def _texts(texts: Sequence[str]) -> np.ndarray:
    values = np.asarray(texts, dtype=object)
    return pd.util.hash_array(values, categorize=False) if len(values) else np.zeros(0, np.uint64)


def _answers(ids: pd.Series, bound: Bindings, answered: np.ndarray) -> np.ndarray:
    """Return a number per reading for what answers say of it, 0 where they say nothing."""
    out = np.zeros(len(ids), dtype=np.uint64)
    by_reading = (bound.links, bound.directions, bound.statuses, bound.asked, bound.by)
    said = [
        "\x1f".join(str(of.get(reading)) for of in by_reading)
        for reading in ids.iloc[answered].to_list()
    ]
    out[answered] = _texts(said) | np.uint64(1)
    return out
