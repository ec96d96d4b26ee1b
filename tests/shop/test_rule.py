"""The time axis: ticks where the wall clock says, distances as true time has them.

Clock changes are those of the IANA time zone database (tzdata): Europe/Vienna goes from 02:00 to 03:00 on
29 March 2026 and from 03:00 to 02:00 on 25 October 2026; Asia/Kathmandu is at UTC+05:45; America/Havana goes
from 00:00 to 01:00 on 8 March 2026; Australia/Lord_Howe changes by half an hour.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.rule import Tick, rule_ticks, x_of

VIENNA = ZoneInfo("Europe/Vienna")


def labels(ticks: list[Tick]) -> list[str]:
    return [tick.label for tick in ticks if tick.kind == "major"]


def test_an_hour_on_a_long_rule_has_a_tick_each_minute() -> None:
    start = datetime(2026, 11, 25, 9, 0, tzinfo=VIENNA)
    ticks = rule_ticks(start, start + timedelta(hours=1), VIENNA, 600)
    assert [tick.x for tick in ticks] == pytest.approx([10.0 * i for i in range(61)])
    assert [tick.kind for tick in ticks[:6]] == ["major", "minor", "minor", "minor", "minor", "mid"]
    assert labels(ticks) == ["09:00", "09:15", "09:30", "09:45", ""]  # the last word would be cut off


def test_a_working_day_is_marked_in_five_minutes_and_named_in_hours() -> None:
    start = datetime(2026, 11, 25, 8, 30, tzinfo=VIENNA)
    ticks = rule_ticks(start, start + timedelta(hours=9), VIENNA, 1080)
    assert len(ticks) == 9 * 12 + 1
    assert labels(ticks) == [f"{hour:02}:00" for hour in range(9, 18)]
    assert next(tick.x for tick in ticks if tick.label == "09:00") == pytest.approx(60.0)


def test_midnight_is_named_by_its_day() -> None:
    start = datetime(2026, 11, 25, 18, 0, tzinfo=VIENNA)
    ticks = rule_ticks(start, start + timedelta(hours=12), VIENNA, 1440)
    assert "Thu 26 Nov" in labels(ticks)


def test_the_spring_day_has_23_hours_and_no_tick_at_the_hour_that_is_left_out() -> None:
    start, end = (datetime(2026, 3, day, tzinfo=VIENNA) for day in (29, 30))
    ticks = rule_ticks(start, end, VIENNA, 23 * 72)
    assert labels(ticks)[:4] == ["Sun 29 Mar", "01:00", "03:00", "04:00"]
    hours = [tick.x for tick in ticks if tick.kind == "major"]
    assert [b - a for a, b in pairwise(hours)] == pytest.approx([72.0] * 23)


def test_the_autumn_day_has_25_hours_and_two_o_clock_twice() -> None:
    start, end = (datetime(2026, 10, day, tzinfo=VIENNA) for day in (25, 26))
    ticks = rule_ticks(start, end, VIENNA, 25 * 72)
    assert labels(ticks)[:5] == ["Sun 25 Oct", "01:00", "02:00", "02:00", "03:00"]
    hours = [tick.x for tick in ticks if tick.kind == "major"]
    assert [b - a for a, b in pairwise(hours)] == pytest.approx([72.0] * 25)


def test_days_stand_an_hour_closer_over_the_spring_change() -> None:
    start, end = (datetime(2026, 3, day, tzinfo=VIENNA) for day in (27, 31))
    midnights = [tick.x for tick in rule_ticks(start, end, VIENNA, 95 * 4) if tick.kind == "major"]
    assert [b - a for a, b in pairwise(midnights)] == pytest.approx([96.0, 96.0, 92.0, 96.0])


def test_ticks_stand_at_full_hours_of_a_zone_that_is_off_by_three_quarters() -> None:
    tz = ZoneInfo("Asia/Kathmandu")
    start = datetime(2026, 11, 25, 3, 15, tzinfo=UTC)  # 09:00 there
    assert labels(rule_ticks(start, start + timedelta(hours=2), tz, 160))[:2] == ["09:00", "10:00"]


def test_a_day_that_begins_at_one_o_clock_still_has_its_midnight_tick() -> None:
    tz = ZoneInfo("America/Havana")
    start = datetime(2026, 3, 7, 12, 0, tzinfo=tz)
    assert "Sun 8 Mar" in labels(rule_ticks(start, start + timedelta(hours=24), tz, 24 * 72))


def test_a_fortnight_is_named_by_its_days() -> None:
    start = datetime(2026, 11, 23, tzinfo=VIENNA)
    ticks = rule_ticks(start, start + timedelta(days=14), VIENNA, 1000)
    assert labels(ticks)[:3] == ["23 Nov", "24 Nov", "25 Nov"]
    assert len(labels(ticks)) == 15


@pytest.mark.parametrize("days", [60, 400, 4000])
def test_long_axes_are_marked_at_mondays(days: int) -> None:
    start = datetime(2026, 11, 16, tzinfo=VIENNA)
    ticks = rule_ticks(start, start + timedelta(days=days), VIENNA, 400)
    named = [tick for tick in ticks if tick.kind == "major"]
    for tick in named:
        at = start.astimezone(UTC) + timedelta(days=days) * (tick.x / 400)
        local = (at + timedelta(seconds=1)).astimezone(VIENNA)
        assert (local.weekday(), local.hour) == (0, 0)
    assert len(named) >= 3


def test_an_axis_without_length_is_refused() -> None:
    start = datetime(2026, 11, 25, tzinfo=UTC)
    with pytest.raises(ValueError, match="must end after it begins"):
        rule_ticks(start, start, VIENNA, 100)
    with pytest.raises(ValueError, match="above 0"):
        rule_ticks(start, start + timedelta(hours=1), VIENNA, 0)


def test_places_on_the_axis_are_true_time_not_wall_clock() -> None:
    start, end = (datetime(2026, 3, day, tzinfo=VIENNA) for day in (29, 30))
    four = datetime(2026, 3, 29, 4, 0, tzinfo=VIENNA)  # the third hour of that day has gone by
    assert x_of(four, start, end, 230) == pytest.approx(30.0)


@given(
    zone=st.sampled_from(
        ["Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]
    ),
    start=st.datetimes(datetime(2024, 1, 1), datetime(2030, 1, 1), timezones=st.just(UTC)),
    minutes=st.integers(20, 60 * 24 * 900),
    width=st.integers(200, 2000),
)
def test_ticks_run_from_left_to_right_inside_the_rule_and_never_crowd(
    zone: str, start: datetime, minutes: int, width: int
) -> None:
    if minutes > 60 * 24 * 60:
        width = min(width, 700)  # long axes: keep the walk short
    tz = ZoneInfo(zone)
    ticks = rule_ticks(start, start + timedelta(minutes=minutes), tz, width)
    places = [tick.x for tick in ticks]
    assert all(0 <= x <= width for x in places)
    # Half of the gap: over a change of the clocks the finest step may be an hour, or half an hour, short.
    assert all(b - a >= 2.9 for a, b in pairwise(places))
    assert all(bool(tick.label) <= (tick.kind == "major") for tick in ticks)
