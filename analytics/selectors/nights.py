"""The gaps between the shop's opening times: closed nights, and breaks in the day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from analytics.engine.hours import NeverOpen, Window, to_instant, to_minutes, weekly

NIGHT = timedelta(hours=6)
"""A shorter gap is a break in the day."""

BREAK = timedelta(minutes=20)
"""A shorter one is none: nobody need stop the clock for it."""

Hours = Mapping[int, Sequence[Window]]
"""Weekday (0 = Monday) to opening and closing times on the shop's wall clock."""

Gap = tuple[datetime, datetime]
"""From closing to opening, UTC."""


def closed_gaps(zone: str, hours: Hours, start: datetime, end: datetime) -> list[Gap]:
    """The gaps between opening times that lie wholly from start to end (aware), in order.

    Somebody who works late, or comes in on a closed day, is not there from one opening time into the next.
    """
    if not hours or end - start < BREAK:
        return []
    try:
        calendar = weekly(start, zone, hours, (end - start).days + 3)
    except NeverOpen:
        return []
    last = to_minutes(start, end)
    gaps = zip(calendar.close[:-1], calendar.open[1:], strict=True)
    return [
        (to_instant(start, float(closing)), to_instant(start, float(opening)))
        for closing, opening in gaps
        if closing >= 0 and opening <= last
    ]


def closed_nights(zone: str, hours: Hours, start: datetime, end: datetime) -> int:
    """How many gaps of more than six hours lie wholly from start to end."""
    if end - start <= NIGHT:
        return 0
    return sum(opening - closing > NIGHT for closing, opening in closed_gaps(zone, hours, start, end))


def breaks(zone: str, hours: Hours, start: datetime, end: datetime) -> list[Gap]:
    """The breaks of at least twenty minutes within a day that lie wholly from start to end."""
    if not any(len(windows) > 1 for windows in hours.values()):
        return []
    return [gap for gap in closed_gaps(zone, hours, start, end) if BREAK <= gap[1] - gap[0] <= NIGHT]


def next_closing(zone: str, hours: Hours, at: datetime) -> datetime | None:
    """The first instant after `at` at which the shop closes for the night; None where it has no hours."""
    try:
        calendar = weekly(at, zone, hours, 16)
    except NeverOpen:
        return None
    night = NIGHT / timedelta(minutes=1)
    for n, closing in enumerate(calendar.close[:-1]):
        if closing > 0 and calendar.open[n + 1] - closing > night:
            return to_instant(at, float(closing))
    return None
