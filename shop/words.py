"""Instants, days and odds in words. Pure: what counts as today is an argument."""

from __future__ import annotations

import math
from datetime import date, datetime, time, timedelta

_SPELT = (
    "no one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen "
    "seventeen eighteen nineteen twenty"
)
_NUMBERS = _SPELT.split()
# Odds that people say, and a shop may promise at.
CONFIDENCES = (0.5, 0.7, 0.75, 0.8, 0.9, 0.95, 0.98)


ANY_YEAR = date.min
"""Given as today where the year is to be said whatever it is: on paper, and in a calendar."""


def say_confidence(confidence: float) -> str:
    """0.8 as 'eight times in ten', 0.95 as 'nineteen times in twenty', 0.985 as '98.5 times in 100'."""
    for whole in (2, 10, 4, 20):
        times = confidence * whole
        if abs(times - round(times)) < 1e-9:
            count = round(times)
            return f"{_NUMBERS[count]} {'time' if count == 1 else 'times'} in {_NUMBERS[whole]}"
    return f"{confidence * 100:g} times in 100"


def say_day(day: date, today: date | None = None) -> str:
    """'Thursday 3 December'; with the year where it is not today's."""
    return f"{day:%A} {day.day} {day:%B}{_year(day, today)}"


def say_short_day(day: date, today: date | None = None) -> str:
    """'Thu 3 Dec'; with the year where it is not today's."""
    return f"{day:%a} {day.day} {day:%b}{_year(day, today)}"


def say_clock(at: time | datetime, *, seconds: bool = False) -> str:
    """'16:00', or '16:00:05'; of the hour that comes twice when the clocks go back also which: '01:30 BST'."""
    which = f" {_zone_name(at)}" if isinstance(at, datetime) and _comes_twice(at) else ""
    return f"{at:%H:%M:%S}{which}" if seconds else f"{at:%H:%M}{which}"


def say_instant(at: datetime, today: date | None = None, *, seconds: bool = False) -> str:
    """A wall-clock datetime as 'Thursday 3 December, 16:00'."""
    return f"{say_day(at.date(), today)}, {say_clock(at, seconds=seconds)}"


def say_near(at: datetime, today: date) -> str:
    """A wall-clock datetime in few signs: '14:05' today, 'Fri 09:30' within a week, else 'Sat 12 Dec 09:30'."""
    days = (at.date() - today).days
    if days == 0:
        return say_clock(at)
    day = f"{at:%a}" if 0 < days < 7 else say_short_day(at.date(), today)
    return f"{day} {say_clock(at)}"


def _year(day: date, today: date | None) -> str:
    return f" {day.year}" if today is not None and day.year != today.year else ""


def _comes_twice(at: datetime) -> bool:
    """Whether the clock shows this time a second time because it is put back in between."""
    return at.replace(fold=0).utcoffset() != at.replace(fold=1).utcoffset()


def _zone_name(at: datetime) -> str:
    """'BST'; 'UTC-03:00' where the zone has no letters for it."""
    name = at.tzname() or ""
    return name if name.isalpha() else f"UTC{at.isoformat()[-6:]}"


def say_wait(wait: timedelta) -> str:
    """How long is still to be waited, rounded up: '45 seconds', '1 minute', '16 minutes', '1 hour'."""
    seconds = max(1, math.ceil(wait.total_seconds()))
    for size, unit in ((3600, "hour"), (60, "minute")):
        if seconds >= size:
            count = math.ceil(seconds / size)
            return f"{count} {unit}{'' if count == 1 else 's'}"
    return f"{seconds} second{'' if seconds == 1 else 's'}"
