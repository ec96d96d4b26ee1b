"""The picture of a job's days: what is drawn of a night on which the clocks change."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from analytics.pictures.time import LEFT, TimeSpan, time_picture

BERLIN = ZoneInfo("Europe/Berlin")
CHANGE = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)
"""Then the clock goes from 03:00 back to 02:00 (Directive 2000/84/EC, article 3)."""


@pytest.mark.parametrize(("before", "after"), [(10, 10), (30, 1), (1, 30), (30, 30)])
def test_work_across_the_hour_that_comes_twice_is_drawn_as_long_as_it_took(before, after):
    begins, ends = CHANGE - timedelta(minutes=before), CHANGE + timedelta(minutes=after)
    span = TimeSpan("A", 0, "Weed", "hands", begins, ends)
    picture = time_picture([span], BERLIN, width=LEFT + 120)  # from 02:00 to 04:00, a minute a pixel
    assert picture is not None
    ((box,),) = (strip.boxes for strip in picture.strips)
    assert box.width == pytest.approx(before + after)


def test_work_across_the_hour_that_spring_leaves_out_is_drawn_once():
    begins = datetime(2026, 3, 29, 0, 50, tzinfo=UTC)  # 01:50, and ten minutes later it is 03:00
    span = TimeSpan("A", 0, "Weed", "hands", begins, begins + timedelta(minutes=20))
    picture = time_picture([span], BERLIN)
    assert picture is not None
    assert [len(strip.boxes) for strip in picture.strips] == [1]
