"""Readings to records: what a meter stored under one label at one visit to a fibre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import columns, source_logs

READ = ("run_id", "dump_sha256", "record", "label", "meter_serial", "fibre_position", "order",
        "utc_s", "wavelength_nm", "direction", "quantity")  # fmt: skip
"""Columns of the working table that records are made of."""


@dataclass(frozen=True)
class Records:
    """Records in the order of work, and the record of each reading.

    table: one row per record: run_id, dump_sha256, record, order, utc_s, label, two_fibres,
    readings, sorted by run, order and place in the dump, so that nothing depends on the order in
    which rows or dumps came.
    record_of: row of `table` for each row of the working table, -1 for references, duplicates and
    the logs of light sources.
    """

    table: pd.DataFrame
    record_of: np.ndarray


def of_readings(working: pd.DataFrame) -> Records:
    """Group readings by dump, record and label; references, duplicates and logs belong to none."""
    counts = ((working["quantity"] != "reference") & (working["duplicate_of"] == "")).to_numpy()
    counts = counts & ~source_logs.rows(working)
    rows = working[[*READ]]
    rows = rows if counts.all() else rows.loc[counts]
    run, dump, label, meter = (
        columns.codes(rows[name], sort=True)
        for name in ("run_id", "dump_sha256", "label", "meter_serial")
    )
    record = rows["record"].to_numpy(dtype=np.int64)
    two = (rows["fibre_position"] > 0).to_numpy().astype(np.int64)
    stored = columns.combined(run[0], dump[0], record, label[0], two)
    size = int(stored.max(initial=-1)) + 1
    order = _least(rows["order"].to_numpy(dtype=np.int64), stored, size)
    one = np.zeros(size, dtype=np.int64)
    one[stored] = np.arange(len(stored))
    parts = [run[0][one], order, dump[0][one], record[one], label[0][one], two[one]]
    ranks = columns.sorted_rows(*parts)
    place = np.empty(size, dtype=np.int64)
    place[ranks] = np.arange(size)
    stored = place[stored]
    run_of, order, dump_of, record, label_of, two = (part[ranks] for part in parts)
    visit = _visits(np.column_stack([run_of, dump_of, label_of, two]), rows, stored)
    record_of = np.full(len(working), -1, dtype=np.int64)
    record_of[counts] = visit[stored]
    first = np.flatnonzero(np.diff(visit, prepend=-1))
    utc_s = np.full(size, np.inf)
    np.fmin.at(utc_s, stored, rows["utc_s"].to_numpy(dtype=float))
    table = pd.DataFrame(
        {
            "run_id": columns.texts(run[1], run_of[first]),
            "dump_sha256": columns.texts(dump[1], dump_of[first]),
            "record": record[first],
            "label": columns.texts(label[1], label_of[first]),
            "two_fibres": two[first] > 0,
            "order": order[first],
            "utc_s": np.where(np.isfinite(utc_s), utc_s, np.nan)[first],
            "meter_serial": columns.texts(meter[1], _least(meter[0], stored, size)[first]),
            "readings": np.bincount(visit[stored], minlength=len(first)),
        }
    )
    return Records(table, record_of)


def _least(values: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    out = np.full(groups, np.iinfo(np.int64).max)
    np.minimum.at(out, group, values)
    return out


def _visits(place: np.ndarray, rows: pd.DataFrame, stored: np.ndarray) -> np.ndarray:
    """Number the visits: many meters store each wavelength of one fibre as a record of its own.

    A record joins the one before it where run, dump and label (`place`) are equal and it holds
    nothing (wavelength, direction, fibre) that the visit holds already; what repeats is a retest.
    """
    kinds = columns.combined(
        rows["wavelength_nm"].to_numpy(dtype=np.int64),
        columns.numbers(rows["direction"], sort=True),
        rows["fibre_position"].to_numpy(dtype=np.int64),
        columns.numbers(rows["quantity"], sort=True),
    )
    held = np.zeros(len(place), dtype=np.int64)
    np.bitwise_or.at(held, stored, np.int64(1) << (kinds % 62).astype(np.int64))
    alike = np.zeros(len(place), dtype=bool)
    alike[1:] = (place[1:] == place[:-1]).all(axis=1)
    new = ~alike
    # two alike records in a row, which is all that most meters store, need no walk
    alone = alike & ~np.r_[False, alike[:-1]] & ~np.r_[alike[1:], False]
    new[alone] = (held & np.r_[0, held[:-1]])[alone] != 0
    sofar = 0
    last = -2
    for record in np.flatnonzero(alike & ~alone).tolist():
        if last != record - 1:
            sofar = int(held[record - 1])
        last = record
        if sofar & int(held[record]):
            sofar = int(held[record])
            new[record] = True
        else:
            sofar |= int(held[record])
    return np.cumsum(new) - 1
