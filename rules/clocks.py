"""Times of readings: the meter's own clock turned into UTC, or refused; and the record order."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from rules import sequence, suspicions
from rules.columns import (
    Flags,
    Floats,
    Ints,
    codes,
    combined,
    compound,
    few,
    numbers,
    pieced,
    starts,
)
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
FIRST_S, LAST_S = -62_104_060_800, 253_370_764_800
"""Beginning of the years 2 and 9999: with any zone's offset, years have four digits."""
MINUTES = [f"{hour:02}:{minute:02}" for hour in range(24) for minute in range(60)]
SECONDS = [f":{second:02}" for second in range(60)]


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
    dump = numbers(working["dump_sha256"], sort=True)
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
    working["clock_state"] = few(STATES, state)
    working["utc_s"] = utc
    working["order"] = order
    working["order_basis"] = few(("clock", "slot", "file"), basis)
    return working, _findings(working, state, gap & (state == OK), utc - arrived)


def canonical(stored: pd.DataFrame) -> pd.DataFrame:
    """Return the rows sorted by dump, line, column, record and reading id, numbered anew."""
    dump = numbers(stored["dump_sha256"], sort=True)
    place = compound(dump, *(stored[name].to_numpy() for name in ("line", "column", "record")))
    if bool((place[1:] > place[:-1]).all()):
        return stored.reset_index(drop=True)
    order = np.argsort(place, kind="stable")
    if not starts(place[order]).all():
        order = np.lexsort((numbers(stored["reading_id"], sort=True), place))
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
    offsets = _offsets(zone, np.where(there, local, 0))
    printed = working["utc_offset_min"].to_numpy() * 60.0
    first = np.where(np.isnan(printed), offsets[:, 0], printed)
    second = np.where(np.isnan(printed), offsets[:, 1], printed)
    seconds = np.where(there, local.astype("float64"), np.nan)
    # before a gap the first offset is the smaller one; PEP 495 counts on with it
    gap = there & (first < second)
    second = np.where(gap, first, second)
    return seconds - first, seconds - second, gap


def _offsets(zone: ZoneInfo, local: Ints) -> Floats:
    """Return the offset of each local time (s) in its first and its second pass.

    A day that begins and ends with one offset has no other between.
    """

    def both(seconds: int) -> list[float]:
        return [_offset(zone, seconds, fold) for fold in (0, 1)]

    day, days = pd.factorize(local // DAY_S)
    begins = np.array([both(int(d) * DAY_S) for d in days], dtype="float64").reshape(-1, 2)
    ends = np.array([both(int(d + 1) * DAY_S) for d in days], dtype="float64").reshape(-1, 2)
    out = begins[day]
    calm = (np.column_stack([begins, ends]) == begins[:, :1]).all(axis=1)
    rows = np.flatnonzero(~calm[day])
    bucket, buckets = pd.factorize(local[rows] // BUCKET_S)
    exact = np.array([both(int(b) * BUCKET_S) for b in buckets], dtype="float64").reshape(-1, 2)
    out[rows] = exact[bucket]
    return out


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
    day, days = pd.factorize(np.where(state == OK, local, 0) // DAY_S)
    first_day = pd.DatetimeIndex(days.astype("datetime64[D]")).day_of_year.to_numpy() == 1
    new_year = first_day[day] & (state == OK)
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
    number = combined(*(numbers(rows[n], sort=True) for n in ("dump_sha256", "meter_serial")))
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
    utc = working["utc_s"].to_numpy()
    return working.assign(
        taken_at=stamped(utc, ZoneInfo(settings.timezone)), taken_at_utc=stamped(utc, None)
    )


def stamped(utc_s: Floats, zone: ZoneInfo | None) -> pd.Series:
    """Write times as ISO 8601 with seconds: with the zone's offset, or with Z for UTC.

    A time that is not finite, or not of the years 2 to 9998, is written as empty text.
    """
    known = (utc_s > FIRST_S) & (utc_s < LAST_S)
    seconds = np.rint(np.where(known, utc_s, 0.0)).astype("int64")
    end = np.zeros(len(seconds), dtype="int64")
    ends = ["Z"]
    if zone is not None:
        end, unique = pd.factorize(seconds // BUCKET_S)
        offsets = [
            datetime.fromtimestamp(int(first) * BUCKET_S, zone).utcoffset() or timedelta()
            for first in unique
        ]
        seconds += np.array([o.total_seconds() for o in offsets], dtype="int64")[end]
        written = {o: datetime(2000, 1, 1, tzinfo=timezone(o)).isoformat()[19:] for o in {*offsets}}
        ends = [written[o] for o in offsets]
    day, days = pd.factorize(seconds // DAY_S)
    minute, second = np.divmod(seconds % DAY_S, 60)
    dates = [f"{date}T" for date in days.astype("datetime64[D]")]
    text = pieced((dates, day), (MINUTES, minute), (SECONDS, second), (ends, end))
    if not known.all():
        at = np.where(known, np.arange(len(known)), -1)
        text = text.take(at, allow_fill=True, fill_value="")
    return pd.Series(text)


def stamp(utc_s: float, zone: ZoneInfo | None) -> str:
    """Write one time as `stamped` does, empty where it is not known."""
    return str(stamped(np.array([utc_s]), zone).iloc[0])
