"""Readings to records: what a meter stored under one label at one visit to a fibre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Records:
    """Records in the order of work, and the record of each reading.

    table: one row per record: run_id, dump_sha256, record, order, utc_s, label, two_fibres,
    readings, sorted by run, order and place in the dump, so that nothing depends on the order in
    which rows or dumps came.
    record_of: row of `table` for each row of the working table, -1 for references and duplicates.
    """

    table: pd.DataFrame
    record_of: np.ndarray


def of_readings(working: pd.DataFrame) -> Records:
    """Group readings by dump, record and label; references and duplicates belong to none."""
    counts = (working["quantity"] != "reference") & (working["duplicate_of"] == "")
    rows = working.loc[counts.to_numpy(), :]
    two = rows["fibre_position"] > 0
    grouped = (
        pd.DataFrame(
            {
                "run_id": rows["run_id"],
                "dump_sha256": rows["dump_sha256"],
                "record": rows["record"],
                "label": rows["label"],
                "two_fibres": two,
                "order": rows["order"],
                "utc_s": rows["utc_s"],
                "meter_serial": rows["meter_serial"],
            }
        )
        .groupby(["run_id", "dump_sha256", "record", "label", "two_fibres"], sort=True)
        .agg(
            order=("order", "min"),
            utc_s=("utc_s", "min"),
            meter_serial=("meter_serial", "min"),
            readings=("order", "size"),
        )
        .reset_index()
        .sort_values(
            ["run_id", "order", "dump_sha256", "record", "label", "two_fibres"],
            kind="stable",
            ignore_index=True,
        )
    )
    place = ["run_id", "dump_sha256", "record", "label", "two_fibres"]
    numbered = grouped[place].assign(row=np.arange(len(grouped)))
    found = rows[place[:-1]].assign(two_fibres=two).merge(numbered, on=place, how="left")
    stored = found["row"].to_numpy(dtype=np.int64)
    visit = _visits(grouped, rows, stored)
    record_of = np.full(len(working), -1, dtype=np.int64)
    record_of[counts.to_numpy()] = visit[stored]
    first = np.flatnonzero(np.diff(visit, prepend=-1))
    together = grouped.iloc[first].reset_index(drop=True)
    together["readings"] = np.bincount(visit[stored], minlength=len(first))
    return Records(together, record_of)


def _visits(grouped: pd.DataFrame, rows: pd.DataFrame, stored: np.ndarray) -> np.ndarray:
    """Number the visits: many meters store each wavelength of one fibre as a record of its own.

    A record joins the one before it where run, dump and label are equal and it holds nothing
    (wavelength, direction, fibre) that the visit holds already; what repeats is a retest.
    """
    kinds, _ = pd.factorize(
        pd.MultiIndex.from_frame(
            rows[["wavelength_nm", "direction", "fibre_position", "quantity"]]
        ),
        sort=True,
    )
    held = np.zeros(len(grouped), dtype=np.int64)
    np.bitwise_or.at(held, stored, np.int64(1) << (kinds % 62).astype(np.int64))
    alike = np.zeros(len(grouped), dtype=bool)
    same = ["run_id", "dump_sha256", "label", "two_fibres"]
    shifted = grouped[same].shift()
    alike[1:] = (grouped[same] == shifted).all(axis=1).to_numpy()[1:]
    new = np.ones(len(grouped), dtype=bool)
    sofar = 0
    last = -2
    for record in np.flatnonzero(alike).tolist():
        if last != record - 1:
            sofar = int(held[record - 1])
        last = record
        if sofar & int(held[record]):
            sofar = int(held[record])
        else:
            new[record] = False
            sofar |= int(held[record])
    return np.cumsum(new) - 1
