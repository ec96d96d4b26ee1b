"""Opening hours against wall clocks read by hand (IANA rules for London and New York) and against counting."""

import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.hours import (
    ALWAYS,
    Calendar,
    NeverOpen,
    intersect,
    minus,
    to_instant,
    to_minutes,
    weekly,
)

OFFICE = {day: [(time(9), time(17))] for day in range(5)}
DAY = 1440.0


def days_of(calendar, origin, zone):
    """Each window as local (opening, closing) text."""
    local = [
        [to_instant(origin, t).astimezone(ZoneInfo(zone)).strftime("%a %H:%M %z") for t in pair]
        for pair in zip(calendar.open, calendar.close, strict=True)
    ]
    return [tuple(pair) for pair in local]


@pytest.mark.parametrize(
    ("zone", "friday", "monday"),
    [
        ("Europe/London", datetime(2025, 10, 24), datetime(2025, 10, 27)),  # clocks go back on 26 October
        ("Europe/London", datetime(2026, 3, 27), datetime(2026, 3, 30)),  # forward on 29 March
        ("America/New_York", datetime(2025, 10, 31), datetime(2025, 11, 3)),  # back on 2 November
        ("America/New_York", datetime(2026, 3, 6), datetime(2026, 3, 9)),  # forward on 8 March
    ],
)
def test_work_over_a_clock_change_goes_on_at_the_same_hour_on_the_wall(zone, friday, monday):
    here = ZoneInfo(zone)
    origin = friday.replace(tzinfo=here).astimezone(UTC)
    hours = weekly(origin, zone, OFFICE, 12)
    began = to_minutes(origin, friday.replace(hour=16, minute=30, tzinfo=here))
    assert hours.finish(began, 60) == to_minutes(origin, monday.replace(hour=9, minute=30, tzinfo=here))
    assert hours.start(began + 30) == to_minutes(origin, monday.replace(hour=9, tzinfo=here))


@pytest.mark.parametrize(
    ("saturday", "hours_open"),
    [(datetime(2025, 10, 25), 9), (datetime(2026, 3, 28), 7), (datetime(2026, 5, 2), 8)],
)
def test_a_night_shift_lasts_as_long_as_the_night(saturday, hours_open):
    origin = saturday.replace(tzinfo=UTC)
    night = weekly(origin, "Europe/London", {5: [(time(22), time(6))]}, 2)
    assert (night.close - night.open).tolist() == [hours_open * 60]


def test_a_window_that_begins_or_ends_in_the_skipped_hour_meets_the_clock_change():
    origin = datetime(2026, 3, 29, tzinfo=UTC)  # London goes from 01:00 to 02:00 at 01:00 UTC
    opens_in_it = weekly(origin, "Europe/London", {6: [(time(1, 30), time(5))]}, 1)
    closes_in_it = weekly(origin, "Europe/London", {6: [(time(0), time(1, 30))]}, 1)
    assert (opens_in_it.open[0], opens_in_it.close[0]) == (60, 240)
    assert (closes_in_it.open[0], closes_in_it.close[0]) == (0, 60)
    with pytest.raises(NeverOpen):
        weekly(origin, "Europe/London", {6: [(time(1, 15), time(1, 45))]}, 1)


def test_a_window_that_begins_in_the_repeated_hour_opens_the_first_time():
    origin = datetime(2025, 10, 26, tzinfo=UTC)  # London has 01:00 to 02:00 twice, from 00:00 UTC
    hours = weekly(origin, "Europe/London", {6: [(time(1, 30), time(5))]}, 1)
    assert (hours.open[0], hours.close[0]) == (30, 300)


@pytest.mark.parametrize("sunday", [date(2026, 3, 29), date(2025, 10, 26), date(2026, 6, 7)])
def test_weekly_hours_agree_with_reading_the_wall_clock_every_minute(sunday):
    windows = {5: [(time(8, 10), time(12)), (time(21), time(3))], 6: [(time(5), time(11, 59))]}
    zone = ZoneInfo("Europe/London")
    origin = datetime.combine(sunday - timedelta(days=2), time(12), UTC)
    hours = weekly(origin, "Europe/London", windows, 5)
    minutes = np.arange(0, 4 * DAY)
    walls = [(origin + timedelta(minutes=m)).astimezone(zone) for m in minutes.tolist()]

    def is_open(wall):
        clock, day = wall.time(), wall.weekday()
        return (day == 5 and (time(8, 10) <= clock < time(12) or clock >= time(21))) or (
            day == 6 and (clock < time(3) or time(5) <= clock < time(11, 59))
        )

    assert hours.is_open(minutes).tolist() == [is_open(w) for w in walls]


def test_closing_at_midnight_and_all_day_and_holidays():
    origin = datetime(2026, 6, 1, tzinfo=UTC)  # a Monday
    late = weekly(
        origin, "UTC", {0: [(time(18), time(0))], 1: [(time(0), time(0))], 2: [(time(9), time(10))]}, 7
    )
    assert days_of(late, origin, "UTC") == [
        ("Mon 18:00 +0000", "Wed 00:00 +0000"),
        ("Wed 09:00 +0000", "Wed 10:00 +0000"),
    ]
    assert weekly(origin, "UTC", OFFICE, 7, holidays=[date(2026, 6, 1)]).open[0] == DAY + 9 * 60


def test_hours_that_never_open_say_so():
    origin = datetime(2026, 6, 1, tzinfo=UTC)
    with pytest.raises(NeverOpen, match="give at least one weekday a window"):
        weekly(origin, "UTC", {}, 30)
    with pytest.raises(NeverOpen, match="no working time is left"):
        minus(weekly(origin, "UTC", OFFICE, 7), [(0, 5 * DAY), (3 * DAY, 9 * DAY)])
    with pytest.raises(ValueError, match="opens and closes at 09:00"):
        weekly(origin, "UTC", {0: [(time(9), time(9))]}, 7)
    with pytest.raises(ValueError, match="Weekday 7"):
        weekly(origin, "UTC", {7: [(time(9), time(10))]}, 7)
    with pytest.raises(ValueError, match="no time zone"):
        weekly(datetime(2026, 6, 1), "UTC", OFFICE, 7)


def test_work_that_ends_at_closing_ends_there_and_none_can_start_there():
    hours = Calendar.of([540, 1980], [1020, 2460])  # 09:00 to 17:00, twice
    assert hours.finish(960, 60) == 1020
    assert hours.start(1020) == 1980
    assert hours.finish(1020, 0) == 1020
    assert hours.finish(540, 0) == 540
    assert hours.finish(990, 60) == 2010
    assert hours.finish(0, 961) == np.inf
    assert hours.start(2460) == np.inf
    with pytest.raises(ValueError, match="not negative"):
        hours.finish(0, -1)


def random_calendar(rng):
    edges = np.sort(rng.choice(4000, 12, replace=False)).astype(float)
    counted = np.zeros(4000, bool)
    for lo, hi in edges.reshape(-1, 2).astype(int):
        counted[lo:hi] = True
    return Calendar.of(edges[::2], edges[1::2]), counted


def test_random_calendars_agree_with_counting_minutes():
    rng = np.random.default_rng(3)
    for _ in range(2000):
        hours, counted = random_calendar(rng)
        s, d = int(rng.integers(0, 4000)), int(rng.integers(0, 600))
        later = np.flatnonzero(counted[s:]) + s
        assert hours.start(s) == (later[0] if later.size else np.inf)
        assert hours.finish(s, d) == (s if d == 0 else later[d - 1] + 1 if later.size >= d else np.inf)
        assert hours.work(s) == counted[:s].sum()
        assert hours.is_open(s) == counted[s]


def test_minus_and_intersect_agree_with_counting_minutes():
    rng = np.random.default_rng(4)
    minutes = np.arange(4000.0)
    for _ in range(200):
        (a, in_a), (b, in_b) = random_calendar(rng), random_calendar(rng)
        spans = [(float(s), float(s + w)) for s, w in rng.integers(0, 900, (4, 2))]  # these overlap
        shut = np.array([any(lo <= m < hi for lo, hi in spans) for m in minutes])
        assert intersect(a, b).is_open(minutes).tolist() == (in_a & in_b).tolist()
        assert minus(a, spans).is_open(minutes).tolist() == (in_a & ~shut).tolist()


instants = st.floats(0, 5000)


@given(st.integers(0, 2**32), instants, instants, st.floats(0.001, 900))
def test_start_and_finish_are_the_two_inverses_of_work(seed, s, t, d):
    hours, _ = random_calendar(np.random.default_rng(seed))
    start, finish = float(hours.start(s)), float(hours.finish(s, d))
    if start < np.inf:
        assert hours.is_open(start)
        assert hours.work(start) == hours.work(s)
    if finish < np.inf:
        assert hours.work(finish) == pytest.approx(float(hours.work(s)) + d, abs=1e-9)
        assert hours.work(finish - 1e-6) < hours.work(finish)  # no earlier instant will do
    if t >= s:
        assert hours.start(t) >= hours.start(s)


def test_always_is_exact_and_arrays_keep_their_shape():
    assert ALWAYS.finish(0.1, 0.2) == 0.1 + 0.2
    assert ALWAYS.start(-5.0) == -5.0
    hours = Calendar.of([10, 0, 5], [12, 5, 7])
    assert (hours.open.tolist(), hours.close.tolist(), hours.cum.tolist()) == ([0, 10], [7, 12], [0, 7])
    assert hours.finish([[0.0], [6.0]], [1.0, 2.0]).tolist() == [[1, 2], [7, 11]]
    with pytest.raises(ValueError, match="closes at 1 min, before it opens at 3 min"):
        Calendar.of([3], [1])


def test_minutes_and_instants_count_elapsed_time():
    origin = datetime(2026, 3, 29, 0, 30, tzinfo=ZoneInfo("Europe/London"))
    later = datetime(2026, 3, 29, 2, 30, tzinfo=ZoneInfo("Europe/London"))
    assert to_minutes(origin, later) == 60
    assert to_instant(origin, 60) == later
    with pytest.raises(ValueError, match="no date"):
        to_instant(origin, np.inf)


def test_hours_load_without_the_compiler():
    code = "import sys, analytics.engine.hours, analytics.engine.simulate; sys.exit('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
