"""Times: zone rules against the zone database, repeated and lost hours, clocks that lie."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import clocks, tables
from rules.settings import Settings

VIENNA = Settings(timezone="Europe/Vienna")


def stored(times: list[str], **columns: object) -> pd.DataFrame:
    n = len(times)
    frame = pd.DataFrame(
        {"reading_id": [f"r{i}" for i in range(n)], "dump_sha256": "a" * 64,
         "dump_name": "a.csv", "line": np.arange(n) + 1, "record": np.arange(n) + 1,
         "slot": np.arange(n) + 1, "quantity": "attenuation", "state": "ok",
         "meter_serial": "M-1", "taken_at": pd.to_datetime(times).astype("datetime64[s]"),
         "clock": times, "clock_state": "ok"}
    ).assign(**columns)  # fmt: skip
    return tables.conform(frame, tables.STORED)


@given(
    st.lists(st.datetimes(datetime(2012, 1, 1), datetime(2030, 1, 1)), min_size=1, max_size=20),
    st.sampled_from(["Europe/Vienna", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe",
                     "America/St_Johns", "UTC"]),
)  # fmt: skip
@settings(derandomize=True, max_examples=60, deadline=None)
def test_utc_is_what_the_zone_database_says(moments: list[datetime], zone: str) -> None:
    moments = sorted(m.replace(microsecond=0) for m in moments)
    working, _ = clocks.resolve(stored([m.isoformat() for m in moments]), Settings(timezone=zone))
    for moment, utc, state in zip(moments, working["utc_s"], working["clock_state"], strict=True):
        both = {moment.replace(tzinfo=ZoneInfo(zone), fold=fold).timestamp() for fold in (0, 1)}
        if state == "ok":
            assert utc in both
        elif state == "ambiguous":
            assert len(both) == 2 and np.isnan(utc)
        else:
            assert state == "reset"  # first of January after a jump back cannot be drawn sorted


def test_the_jump_back_of_the_clock_settles_the_autumn_hour() -> None:
    times = ["2026-10-25 02:20", "2026-10-25 02:50", "2026-10-25 02:10", "2026-10-25 02:40"]
    working, found = clocks.resolve(stored(times), VIENNA)
    steps = np.diff(working["utc_s"]) / 60
    assert list(steps) == [30, 20, 30]
    assert list(working["order"]) == [1, 2, 3, 4]
    assert not len(found)


def test_an_autumn_hour_without_a_jump_is_not_guessed() -> None:
    working, _ = clocks.resolve(stored(["2026-10-25 02:20", "2026-10-25 02:50"]), VIENNA)
    assert list(working["clock_state"]) == ["ambiguous"] * 2
    assert working["utc_s"].isna().all()
    assert list(working["order_basis"]) == ["slot"] * 2


def test_an_offset_printed_in_the_dump_stands_above_the_zone() -> None:
    working, _ = clocks.resolve(stored(["2026-10-25 02:20"], utc_offset_min=60.0), VIENNA)
    assert working["utc_s"][0] == pd.Timestamp("2026-10-25 01:20", tz="UTC").timestamp()


def test_the_lost_hour_is_named() -> None:
    working, found = clocks.resolve(stored(["2026-03-29 02:30"]), VIENNA)
    assert list(found["code"]) == ["clock-spring-hour"]
    assert working["utc_s"][0] == pd.Timestamp("2026-03-29 01:30", tz="UTC").timestamp()


def test_default_days_days_before_the_job_and_days_after_arrival_are_not_trusted() -> None:
    times = ["2000-01-01 00:04", "2026-02-01 10:00", "2026-03-05 10:00", "2026-09-09 09:00"]
    working, _ = clocks.resolve(
        stored(times, arrived_at="2026-03-06T08:00:00Z"),
        Settings(timezone="UTC", started_on="2026-03-01"),
    )
    assert list(working["clock_state"]) == ["reset", "reset", "ok", "reset"]


def test_a_restart_on_the_first_of_january_is_seen_by_the_jump() -> None:
    times = ["2026-03-05 10:00", "2026-03-05 10:05", "2026-01-01 00:01", "2026-01-01 00:05"]
    working, _ = clocks.resolve(stored(times), VIENNA)
    assert list(working["clock_state"]) == ["ok", "ok", "reset", "reset"]
    assert list(working["order"]) == [1, 2, 3, 4]


def test_a_memory_dumped_newest_first_is_turned_round() -> None:
    times = ["2026-03-05 10:10", "2026-03-05 10:05", "2026-03-05 10:00"]
    working, _ = clocks.resolve(stored(times, slot=-1), VIENNA)
    assert list(working["order"]) == [3, 2, 1]


def test_stretches_of_two_dumps_stay_whole_where_clocks_make_them_interleave() -> None:
    first = stored(["2026-03-05 10:00", "2026-03-05 10:02"])
    second = stored(["2026-03-05 10:01", "2026-03-05 10:03"]).assign(
        dump_sha256="b" * 64, reading_id=["s0", "s1"]
    )
    working, _ = clocks.resolve(pd.concat([first, second], ignore_index=True), VIENNA)
    assert list(working.sort_values("order")["reading_id"]) == ["r0", "r1", "s0", "s1"]


@given(st.randoms(use_true_random=False))
@settings(derandomize=True, max_examples=20, deadline=None)
def test_the_order_of_rows_changes_nothing(random: object) -> None:
    begin = datetime(2026, 10, 25, 1, 30)
    times = [(begin + timedelta(minutes=7 * i)).isoformat() for i in range(20)]
    table = stored(times)
    expected = clocks.resolve(table, VIENNA)
    order = list(range(len(table)))
    random.shuffle(order)  # type: ignore[attr-defined]
    got = clocks.resolve(table.iloc[order].reset_index(drop=True), VIENNA)
    pd.testing.assert_frame_equal(got[0], expected[0])
    pd.testing.assert_frame_equal(got[1], expected[1])
