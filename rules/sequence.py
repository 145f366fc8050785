"""The sequence of a meter's records: by place within a dump, by time between dumps."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rules.columns import Flags, Floats, Ints, combined, sorted_rows, starts


def places(
    working: pd.DataFrame, dump: Ints, meter: Ints, record: Ints, local: Ints, timed: Flags
) -> tuple[Ints, Flags]:
    """Return each row's place in its meter's part of the dump, and whether slots give it.

    Slots count where every record of the part has one and none twice; a part that lies newest
    first is turned round.
    """
    part = combined(meter, dump)
    slot = working["slot"].to_numpy()
    head = np.flatnonzero(_first_of(combined(part, record)))
    parts = int(part.max()) + 1
    bare = np.zeros(parts, dtype="bool")
    bare[part[slot < 0]] = True
    same = combined(part[head], slot[head])
    bare[part[head][np.bincount(same)[same] > 1]] = True
    slotted = ~bare[part]
    place = np.where(slotted, slot, working["record"].to_numpy())
    turned = _newest_first(part, place, local, timed, head)
    return np.where(turned[part], -place, place), slotted


def _first_of(keys: Ints) -> Flags:
    """Mark the first row of each key; keys are numbered from 0."""
    first = np.empty(int(keys.max()) + 1, dtype="int64")
    first[keys[::-1]] = np.arange(len(keys))[::-1]
    return np.asarray(first[keys] == np.arange(len(keys)))


def _newest_first(part: Ints, place: Ints, local: Ints, timed: Flags, head: Ints) -> Flags:
    rows = head[timed[head]]
    rows = rows[sorted_rows(part[rows], place[rows])]
    steps = np.diff(local[rows])
    inside = part[rows][1:] == part[rows][:-1]
    parts = int(part.max()) + 1
    back = np.bincount(part[rows][1:][inside & (steps < 0)], minlength=parts)
    forth = np.bincount(part[rows][1:][inside & (steps > 0)], minlength=parts)
    return (back > forth) & (back > 1)


def order(
    meter: Ints, dump: Ints, place: Ints, utc: Floats, arrived: Floats, pause_s: float
) -> Ints:
    """Number the records of each meter: by place within a dump, by time between dumps.

    Within a dump a record counts as late as the latest before it, so that the place always rules.
    Stretches of a dump without a longer pause stay whole and are put in order by their begin: one
    meter works at one place, so where dumps seem to interleave a clock is wrong. Dumps without any
    trusted clock follow their arrival.
    """
    part = combined(meter, dump)
    rows = sorted_rows(part, place)
    begins = starts(part[rows])
    group = np.cumsum(begins) - 1
    time = _running_latest(utc[rows], group)
    known = np.full(int(group.max()) + 1, np.inf)
    np.fmin.at(known, group, time)
    fill = np.where(np.isfinite(known), known, 0.0)[group]
    fill = np.where(np.isfinite(known)[group], fill, np.nan_to_num(arrived[rows]))
    time = np.where(np.isnan(time), fill, time)
    latest = np.full(len(known), -np.inf)
    np.maximum.at(latest, group, time)
    fresh = begins.copy()
    fresh[1:] |= np.diff(time) > pause_s

    head = np.flatnonzero(fresh)
    of_head = rows[head]
    stretches = np.lexsort((dump[of_head], latest[group[head]], time[head], meter[of_head]))
    turn = np.empty(len(head), dtype="int64")
    turn[stretches] = np.arange(len(head))
    final = rows[np.argsort(turn[np.cumsum(fresh) - 1], kind="stable")]
    count = np.cumsum(starts(combined(meter, dump, place)[final]))
    base = np.maximum.accumulate(np.where(starts(meter[final]), count - 1, 0))
    order = np.empty(len(rows), dtype="int64")
    order[final] = count - base
    return order


def _running_latest(time: Floats, group: Ints) -> Floats:
    """Return the latest time so far within each group (sorted), NaN before the first."""
    if not np.isfinite(time).any():
        return time
    lowest = np.nanmin(time)
    span = np.nanmax(time) - lowest + 2.0
    # groups are lifted above each other so that one running maximum serves all
    lifted = np.where(np.isnan(time), 0.0, time - lowest + 1.0) + group * span
    running = np.maximum.accumulate(lifted) - group * span
    return np.where(running > 0, running + lowest - 1.0, np.nan)
