"""Times of readings: the meter's own clock turned into UTC, or refused; and the record order."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from rules import sequence, suspicions
from rules.columns import Flags, Floats, Ints, codes, combined, starts, texts
from rules.settings import Settings

STATES = ("none", "ok", "ambiguous", "reset", "corrected")
NONE, OK, AMBIGUOUS, RESET, CORRECTED = range(5)

EARLIEST_YEAR = 2010
"""Clocks start again at 1970, 1980, 2000 and the like. Common practice, no source."""
AHEAD_S = 900.0
"""More than this ahead of the dump's arrival is worth a word. Common practice, no source."""
IMPOSSIBLE_AHEAD_S = 86_400.0
"""More than this ahead is no zone or summer-time mistake: the clock is not trusted."""
DAY_S = 86_400
BUCKET_S = 900
"""Zone offsets change on multiples of a quarter of an hour, since 1972 in every zone."""
NOWHERE = np.iinfo("int64").min


def resolve(stored: pd.DataFrame, settings: Settings) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give every reading its UTC time, clock state and place in its meter's sequence.

    Takes STORED in any row order; returns (working, FOUND). `working` has the rows in canonical
    order and the columns of STORED with `clock_state` settled, and `utc_s` (s since 1970 UTC, NaN
    without a trusted clock), `order` (1, 2 … per meter, equal within a record) and `order_basis`.
    """
    working = canonical(stored)
    if working.empty:
        extra = {"utc_s": np.array([], "float64"), "order": np.array([], "int64")}
        return working.assign(**extra, order_basis=working["label"]), suspicions.none()
    dump, _ = codes(working["dump_sha256"], sort=True)
    meter = meter_codes(working, dump)
    record = combined(dump, working["record"].to_numpy())
    local = seconds(working["taken_at"])
    arrived = arrivals(working)
    state = _parsed_states(working["clock_state"], local)

    first, second, gap = _utc(working, local, settings)
    first[state == NONE] = second[state == NONE] = np.nan
    earliest = _earliest(settings)
    state[(state == OK) & (local < earliest)] = RESET
    state[(state == OK) & (first - arrived > IMPOSSIBLE_AHEAD_S)] = RESET

    place, slotted = sequence.places(working, dump, meter, record, local, state == OK)
    state[(state == OK) & _restarted(local, dump, meter, place, state)] = RESET
    unsure = (state == OK) & (first != second)
    late = _second_pass(local, dump, meter, place, unsure)
    utc = np.where(late == 1, second, first)
    state[unsure & (late < 0)] = AMBIGUOUS
    utc[state != OK] = np.nan

    order = sequence.order(meter, dump, place, utc, arrived, settings.pause_minutes * 60.0)
    basis = np.where(state == OK, 0, np.where(slotted, 1, 2))
    working["clock_state"] = texts(STATES, state)
    working["utc_s"] = utc
    working["order"] = order
    working["order_basis"] = texts(("clock", "slot", "file"), basis)
    return working, _findings(working, state, gap & (state == OK), utc - arrived)


def canonical(stored: pd.DataFrame) -> pd.DataFrame:
    """Return the rows sorted by dump, line, column, record and reading id, numbered anew."""
    dump, _ = codes(stored["dump_sha256"], sort=True)
    keys = [stored["record"].to_numpy(), stored["column"].to_numpy(), stored["line"].to_numpy()]
    order = np.lexsort((*keys, dump))
    whole = combined(dump, *reversed(keys))[order] if len(stored) else np.array([], "int64")
    tied = ~starts(whole)
    if tied.any():
        named = codes(stored["reading_id"], sort=True)[0]
        order = np.lexsort((named, *keys, dump))
    if np.array_equal(order, np.arange(len(stored))):
        return stored.reset_index(drop=True)
    return stored.take(order).reset_index(drop=True)


def meter_codes(working: pd.DataFrame, dump: Ints) -> Ints:
    """Number the meters; readings without a serial count as one meter per dump."""
    serial, names = codes(working["meter_serial"], sort=True)
    blank = np.array([name == "" for name in names], dtype="bool")[serial]
    return combined(np.where(blank, -1 - dump, serial))


def seconds(column: pd.Series) -> Ints:
    """Return times without zone as whole seconds since 1970; NOWHERE where absent."""
    return column.to_numpy().astype("datetime64[s]").astype("int64")


def arrivals(working: pd.DataFrame) -> Floats:
    """Return when each reading's dump arrived, in s since 1970 UTC; NaN where not known."""
    number, names = codes(working["arrived_at"])
    parsed = pd.to_datetime(
        pd.Series(names, dtype="str"), utc=True, errors="coerce", format="ISO8601"
    )
    seconds = (parsed - pd.Timestamp(0, tz="UTC")).dt.total_seconds().to_numpy()
    return np.asarray(seconds, dtype="float64")[number]


def _parsed_states(column: pd.Series, local: Ints) -> Ints:
    """Keep what the parser says of the clock, where there is one."""
    number, names = codes(column)
    known = np.array([STATES.index(n) if n in STATES else OK for n in names], dtype="int64")
    state = known[number]
    absent = local == NOWHERE
    state[absent & (state == OK)] = NONE
    # a clock stands beside it, so a parser that says nothing about it means no doubt
    state[~absent & (state == NONE)] = OK
    return state


def _earliest(settings: Settings) -> int:
    if settings.started_on:
        return int(pd.Timestamp(settings.started_on).timestamp())
    return int(pd.Timestamp(year=EARLIEST_YEAR, month=1, day=1).timestamp())


def _utc(working: pd.DataFrame, local: Ints, settings: Settings) -> tuple[Floats, Floats, Flags]:
    """Return UTC by the first and by the second reading of a repeated hour, and the lost hour.

    An offset printed in the dump stands above the zone of the job.
    """
    zone = ZoneInfo(settings.timezone)
    there = local != NOWHERE
    bucket = np.where(there, local // BUCKET_S, 0)
    number, unique = pd.factorize(bucket)
    offsets = np.array(
        [[_offset(zone, int(b) * BUCKET_S, fold) for fold in (0, 1)] for b in unique],
        dtype="float64",
    ).reshape(-1, 2)
    printed = working["utc_offset_min"].to_numpy() * 60.0
    first = np.where(np.isnan(printed), offsets[number, 0], printed)
    second = np.where(np.isnan(printed), offsets[number, 1], printed)
    seconds = np.where(there, local.astype("float64"), np.nan)
    # before a gap the first offset is the smaller one; PEP 495 counts on with it
    gap = there & (first < second)
    second = np.where(gap, first, second)
    return seconds - first, seconds - second, gap


def _offset(zone: ZoneInfo, local_s: int, fold: int) -> float:
    naive = datetime.fromtimestamp(local_s, UTC).replace(tzinfo=zone, fold=fold)
    offset = naive.utcoffset()
    return offset.total_seconds() if offset else 0.0


def _restarted(local: Ints, dump: Ints, meter: Ints, place: Ints, state: Ints) -> Flags:
    """Mark records after a jump back of over a day onto the first day of a year.

    That is where clocks start again, whatever the year.
    """
    part = combined(meter, dump)
    out = np.zeros(len(local), dtype="bool")
    day = pd.Series(np.where(state == OK, local, 0).astype("datetime64[s]"))
    new_year = ((day.dt.day_of_year == 1) & (state == OK)).to_numpy()
    for number in np.unique(part[new_year]):
        rows = np.flatnonzero((part == number) & (state == OK))
        rows = rows[np.argsort(place[rows], kind="stable")]
        steps = np.diff(local[rows])
        at = np.flatnonzero((steps < -DAY_S) & new_year[rows][1:]) + 1
        for begin in at:
            ends = np.flatnonzero(steps[begin:] > 30 * DAY_S)
            end = begin + 1 + int(ends[0]) if len(ends) else len(rows)
            out[rows[begin:end]] = True
    return out


def _second_pass(local: Ints, dump: Ints, meter: Ints, place: Ints, unsure: Flags) -> Ints:
    """Say of each row in a repeated hour: 0 first time round, 1 second, −1 not to be known.

    A jump back between neighbours is the change of the clock; without one nothing tells.
    """
    out = np.zeros(len(local), dtype="int64")
    if not unsure.any():
        return out
    out[unsure] = -1
    part = combined(meter, dump, local // DAY_S)
    for number in np.unique(part[unsure]):
        rows = np.flatnonzero((part == number) & unsure)
        rows = rows[np.argsort(place[rows], kind="stable")]
        back = np.flatnonzero(np.diff(local[rows]) < 0)
        if len(back) == 1:
            out[rows[: back[0] + 1]] = 0
            out[rows[back[0] + 1 :]] = 1
    return out


def _findings(working: pd.DataFrame, state: Ints, gap: Flags, ahead: Floats) -> pd.DataFrame:
    return suspicions.join(
        per_dump(working, gap, "clock-spring-hour",
                 "{n} readings of dump {dump} are stored at {clock} and the like, an hour that the "
                 "change to summer time left out"),
        per_dump(working, (state == OK) & (ahead > AHEAD_S), "clock-ahead",
                 "{n} readings of dump {dump} are stored at {clock} and the like, after the dump "
                 "had arrived at {arrived}"),
        per_dump(working, state == NONE, "clock-missing",
                 "{n} readings of dump {dump} carry no time"),
    )  # fmt: skip


def per_dump(working: pd.DataFrame, marked: Flags, code: str, sentence: str) -> pd.DataFrame:
    """Make one finding per dump and meter from the marked rows."""
    if not marked.any():
        return suspicions.none()
    rows = working.loc[marked]
    number = combined(*(codes(rows[n], sort=True)[0] for n in ("dump_sha256", "meter_serial")))
    groups = np.split(np.argsort(number, kind="stable"), np.cumsum(np.bincount(number))[:-1])
    parts = [rows.take(group) for group in groups]
    names = [str(part["dump_name"].min()) for part in parts]
    return suspicions.found(
        code,
        subject=[f"dump {name}" for name in names],
        message=[
            sentence.format(
                n=len(part), dump=name, clock=part["clock"].min(), arrived=part["arrived_at"].min()
            )
            for part, name in zip(parts, names, strict=True)
        ],
        dump_sha256=[part["dump_sha256"].iloc[0] for part in parts],
        meter_serial=[part["meter_serial"].iloc[0] for part in parts],
        first_order=[part["order"].min() for part in parts],
        last_order=[part["order"].max() for part in parts],
    )


def local_to_utc(local: pd.Timestamp, timezone_name: str) -> float:
    """Return a time on the crew's paper as s since 1970 UTC; the first pass of a repeated hour."""
    seconds_local = int(local.timestamp())
    return seconds_local - _offset(ZoneInfo(timezone_name), seconds_local, 0)


def printed(working: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Return `working` with `taken_at` and `taken_at_utc` as ISO text, empty where not trusted.

    `taken_at` carries the offset of the job's zone.
    """
    number, unique = pd.factorize(working["utc_s"].to_numpy())
    local = stamps(unique, ZoneInfo(settings.timezone))
    world = stamps(unique, None)
    return working.assign(
        taken_at=texts([*local, ""], number, working.index),
        taken_at_utc=texts([*world, ""], number, working.index),
    )


def stamps(utc_s: Floats, zone: ZoneInfo | None) -> list[str]:
    """Write times as ISO 8601 with seconds: with the zone's offset, or with Z for UTC."""
    seconds = np.rint(utc_s).astype("int64")
    if zone is None:
        return [text + "Z" for text in _iso(seconds)]
    bucket, unique = pd.factorize(seconds // BUCKET_S)
    offsets = [
        datetime.fromtimestamp(int(first) * BUCKET_S, zone).utcoffset() or timedelta()
        for first in unique
    ]
    ahead = np.array([offset.total_seconds() for offset in offsets], dtype="int64")
    ends = [datetime(2000, 1, 1, tzinfo=timezone(o)).isoformat()[19:] for o in offsets]
    local = _iso(seconds + ahead[bucket])
    return [text + ends[b] for text, b in zip(local, bucket.tolist(), strict=True)]


def _iso(seconds: Ints) -> list[str]:
    listed: list[str] = np.datetime_as_string(seconds.astype("datetime64[s]")).tolist()
    return listed


def stamp(utc_s: float, zone: ZoneInfo | None) -> str:
    """Write one time as `stamps` does, empty where it is not known."""
    return "" if np.isnan(utc_s) else stamps(np.array([utc_s]), zone)[0]
