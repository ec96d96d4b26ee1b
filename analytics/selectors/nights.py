"""Closed nights: the gaps between the shop's opening times."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime, time, timedelta

from analytics.engine.hours import NeverOpen, Window, to_minutes, weekly
from shop.models import OpeningHours, Shop

NIGHT = timedelta(hours=6)
"""A shorter gap is a break in the day."""

Stretch = tuple[int, datetime, datetime]
"""A stage, and somebody at it from one instant to another."""


def through_a_night(shop: Shop, stretches: Collection[Stretch]) -> set[int]:
    """The stages with a stretch in which a whole closed night lies, from closing to opening.

    Somebody who works late, or comes in on a closed day, is not there from one opening time into the next.
    """
    if not stretches:
        return set()
    windows: dict[int, list[Window]] = defaultdict(list)
    for weekday, opens, closes in OpeningHours.objects.of(shop).values_list("weekday", "opens", "closes"):
        windows[weekday].append((opens, closes))
    if not windows:
        return set()
    return {stage for stage, start, end in stretches if closed_nights(shop.time_zone, windows, start, end)}


def closed_nights(
    zone: str, windows: dict[int, list[tuple[time, time]]], start: datetime, end: datetime
) -> int:
    """How many gaps of more than six hours between closing and opening lie wholly from start to end.

    windows: weekday (0 = Monday) to opening and closing times on the wall clock of the zone.
    """
    try:
        calendar = weekly(start, zone, windows, (end - start).days + 3)
    except NeverOpen:
        return 0
    last, night = to_minutes(start, end), NIGHT / timedelta(minutes=1)
    gaps = zip(calendar.close[:-1], calendar.open[1:], strict=True)
    return sum(
        bool(closing >= 0 and opening <= last and opening - closing > night) for closing, opening in gaps
    )
