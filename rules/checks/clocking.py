"""Checks of clocks and pace: whether the times stored can be those of the work."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from rules import clocks, suspicions
from rules.checks import wording
from rules.checks.context import Context
from rules.checks.registry import check
from rules.columns import Ints

DAYS = 1_000_000
"""More days than any clock counts from 1970."""
MONTHS = 12
"""A day of the month beyond this can be no month."""
QUARTER_MIN = 15.0
"""Zones differ by whole quarter hours: tz database."""


@check("clock-reset", "clock-autumn-hour", "clock-corrected")
def untrusted(context: Context) -> pd.DataFrame:
    """Name the dumps whose clock is not trusted, and those that a run sheet has put right."""
    working = context.working
    return suspicions.join(
        clocks.per_dump(
            working, (working["clock_state"] == "reset").to_numpy(), "clock-reset",
            "{n} readings of dump {dump} are stored at {clock} and the like; the dump arrived at "
            "{arrived}",
        ),
        clocks.per_dump(
            working, (working["clock_state"] == "ambiguous").to_numpy(), "clock-autumn-hour",
            "{n} readings of dump {dump} are stored at {clock} and the like, an hour that was "
            "passed through twice, and no jump back of the clock tells which",
        ),
        clocks.per_dump(
            working, (working["clock_state"] == "corrected").to_numpy(), "clock-corrected",
            "{n} readings of dump {dump} are stored at {clock} and the like; their times count on "
            "from the start on the run sheet",
        ),
    )  # fmt: skip


@check("clock-against-sheet")
def against_sheet(context: Context) -> pd.DataFrame:
    """Find runs whose first record lies far from the time on the run sheet.

    Only sheets that name their records by slot: where times choose the records they fit anyway.
    """
    sheets = context.run_sheets.sheets
    sheets = sheets.loc[(sheets["last_slot"] > 0) & sheets["started_at"].notna()]
    limit = context.threshold("clock_sheet_min")
    found = []
    for row in sheets.to_dict("records"):
        mine = context.by_sheet.rows(row["sheet_id"])
        mine = mine[context.single[mine]]
        times = context.utc[mine]
        if not np.isfinite(times).any():
            continue
        said = clocks.local_to_utc(row["started_at"], context.settings.timezone)
        minutes = (float(np.nanmin(times)) - said) / 60.0
        if abs(minutes) <= limit:
            continue
        quarters = minutes / QUARTER_MIN
        zone = abs(quarters - round(quarters)) * QUARTER_MIN <= 5.0 and abs(minutes) < 15 * 60
        hint = ": whole quarter hours, as a wrong zone makes" if zone else ""
        runs = np.unique(context.run[mine])
        found.append(
            wording.of_runs(
                context, "clock-against-sheet", runs,
                [f"the first record was stored {abs(minutes):.0f} min "
                 f"{'after' if minutes > 0 else 'before'} the start on run sheet "
                 f"{row['sheet_id']}{hint}"] * len(runs),
            )
        )  # fmt: skip
    return suspicions.join(*found)


@check("clock-day-order")
def day_order(context: Context) -> pd.DataFrame:
    """Find meters whose days and months make a much shorter story when exchanged."""
    low, high = context.run_span
    timed = np.flatnonzero(np.isfinite(low))
    serials = pd.factorize(context.runs["meter_serial"], sort=True)[0]
    key = np.concatenate([serials[timed], serials[timed]]).astype("int64") * DAYS
    key += (np.concatenate([low[timed], high[timed]]) // 86_400).astype("int64")
    once = np.unique(key)
    meter, day = once // DAYS, once % DAYS
    several = np.bincount(meter)[meter] > 1
    meter, day = meter[several], day[several]
    if not len(meter):
        return suspicions.none()
    date = day.astype("datetime64[D]")
    year, month = date.astype("datetime64[Y]"), date.astype("datetime64[M]")
    of_month = (date - month).astype("int64")
    swapped = (year.astype("datetime64[M]") + of_month).astype("datetime64[D]")
    swapped = swapped + (month - year.astype("datetime64[M]")).astype("int64")
    clear = np.bincount(meter, of_month >= MONTHS) > 0
    first, last = _span(meter, day)
    begin, end = _span(meter, swapped.astype("int64"))
    span = last - first
    hit = ~clear & (end - begin < span / 3) & (span >= context.threshold("clock_day_order_days"))
    meters = np.flatnonzero(hit & (np.bincount(meter) > 0))
    serial = [context.runs["meter_serial"].iloc[int(np.flatnonzero(serials == number)[0])]
              for number in meters]  # fmt: skip
    shown = np.stack([first, last, begin, end]).astype("datetime64[D]")
    return suspicions.found(
        "clock-day-order", meter_serial=serial, subject=[f"meter {s or 'unknown'}" for s in serial],
        message=[
            "stored days reach from {} to {}; with day and month exchanged from {} to {}".format(
                *shown[:, number]
            )
            for number in meters
        ],
    )  # fmt: skip


def _span(key: Ints, day: Ints) -> tuple[Ints, Ints]:
    """Return the first and the last day of each key; meaningless for keys without any."""
    first = np.full(int(key.max(initial=-1)) + 1, DAYS)
    last = -first
    np.minimum.at(first, key, day)
    np.maximum.at(last, key, day)
    return first, last


@check("clock-backwards")
def backwards(context: Context) -> pd.DataFrame:
    """Find places in a memory where the clock goes back."""
    rows, neighbours = context.sequence
    step = np.diff(context.utc[rows])
    with np.errstate(invalid="ignore"):
        back = neighbours & (step < -context.threshold("clock_backwards_s"))
    at = rows[1:][back]
    return wording.of_readings(
        context, "clock-backwards", at,
        [f"stored {-s / 60:.0f} min before the record that precedes it in the memory"
         for s in step[back]],
    )  # fmt: skip


@check("clock-overlap")
def overlap(context: Context) -> pd.DataFrame:
    """Find runs of one meter that lie over each other in time."""
    low, high = context.run_span
    meter = pd.factorize(context.runs["meter_serial"], sort=True)[0]
    named = (context.runs["meter_serial"] != "").to_numpy() & np.isfinite(low)
    rows = np.flatnonzero(named)
    rows = rows[np.lexsort((high[rows], low[rows], meter[rows]))]
    until = -np.inf
    hits, texts = [], []
    for before, after in pairwise(rows):
        until = max(until, high[before]) if meter[before] == meter[after] else -np.inf
        over = until - low[after]
        if over > context.threshold("clock_backwards_s"):
            hits.append(int(after))
            texts.append(f"begins {over / 60.0:.0f} min before an earlier run of the meter ended")
    return wording.of_runs(context, "clock-overlap", np.array(hits, "int64"), texts)


@check("pace")
def pace(context: Context) -> pd.DataFrame:
    """Find runs in which different labels follow each other too fast.

    Steps between labels are looked at where the clock shows seconds; a run is named when any step
    is beyond doubt too short, or more than a few are short.
    """
    rows, neighbours = context.sequence
    record = context.working["record"].to_numpy()[rows]
    fine = (context.working["clock_resolution_s"].to_numpy() <= 1)[rows]
    tested = (context.working["quantity"] != "reference").to_numpy()[rows]
    step = np.diff(context.utc[rows])
    moved = neighbours & fine[1:] & fine[:-1] & tested[1:] & tested[:-1]
    moved &= context.relabelled(rows) & (record[1:] != record[:-1])
    with np.errstate(invalid="ignore"):
        short = moved & (step >= 0) & (step < context.threshold("pace_warn_s"))
        doubt = short & (step < context.threshold("pace_doubt_s"))
    run = context.run[rows][1:]
    runs = len(context.runs)
    steps, n_short, n_doubt = (np.bincount(run[m], minlength=runs) for m in (moved, short, doubt))
    hit = np.flatnonzero((n_doubt > 0) | (n_short > context.threshold("pace_share") * steps))
    return wording.of_runs(
        context, "pace", hit,
        [f"{n_short[r]} of {steps[r]} steps to another label took less than "
         f"{context.threshold('pace_warn_s'):.0f} s, {n_doubt[r]} less than "
         f"{context.threshold('pace_doubt_s'):.0f} s" for r in hit],
    )  # fmt: skip
