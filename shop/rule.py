"""The ticks of a time axis, drawn like a steel rule: fine ticks, longer ones, and long ones with a word.

Pure: instants are aware datetimes, lengths are pixels. Ticks stand at the shop's wall-clock hours and midnights,
and the axis itself is true time, so the day on which the clocks change is an hour shorter or longer on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

Kind = Literal["major", "mid", "minor"]

# Steps in wall-clock minutes: the finest tick, the longer one, the long one.
_DAY, _WEEK = 1440, 10080
_WITHIN_DAYS = (
    (1, 5, 15),
    (5, 15, 60),
    (15, 60, 180),
    (30, 60, 360),
    (60, 360, _DAY),
    (120, 360, _DAY),
    (180, 720, _DAY),
    (360, _DAY, _WEEK),
)
# The same in days; weeks begin on Monday.
_OF_DAYS = ((1, 7, 14), (7, 28, 56))
_LABEL_PX = 6.5  # about one character of a label at its size on the page


@dataclass(frozen=True)
class Tick:
    """One tick: pixels from the left edge, how long it is, and its word ('' for none)."""

    x: float
    kind: Kind
    label: str


def x_of(instant: datetime, start: datetime, end: datetime, width: float) -> float:
    """Pixels from the left edge at which an instant stands; outside [0, width] where it is outside the axis.

    Raises ValueError where the axis has no length.
    """
    # In UTC: Python subtracts two instants of one zone by their wall clocks, which is wrong over a change.
    begin, finish, at = (moment.astimezone(UTC) for moment in (start, end, instant))
    if finish <= begin:
        raise ValueError(f"A time axis must end after it begins: {start} to {end}.")
    return width * ((at - begin) / (finish - begin))


def rule_ticks(
    start: datetime, end: datetime, tz: ZoneInfo, width: float, *, min_gap: float = 6.0
) -> list[Tick]:
    """The ticks from `start` to `end`, both included, on a rule `width` pixels long, from left to right.

    The finest step is the least one whose ticks stand `min_gap` pixels or more apart. A word that the rule's
    right end would cut off is left out. Raises ValueError where the axis or a length is not positive.
    """
    if width <= 0 or min_gap <= 0:
        raise ValueError(f"A rule's width and gap must be above 0: {width}, {min_gap}.")
    x_of(start, start, end, width)
    begin, finish = start.astimezone(UTC), end.astimezone(UTC)
    px_per_minute = width / ((finish - begin) / timedelta(minutes=1))
    for steps in _WITHIN_DAYS:
        if steps[0] * px_per_minute >= min_gap:
            marks = _within_days(begin, finish, tz, steps)
            break
    else:
        marks = _of_days(begin, finish, tz, _day_steps(px_per_minute * _DAY, min_gap))
    return [
        Tick(x, kind, label if x + 6 + len(label) * _LABEL_PX <= width else "")
        for at, kind, label in marks
        for x in (x_of(at, start, end, width),)
    ]


def _day_steps(px_per_day: float, min_gap: float) -> tuple[int, int, int]:
    for steps in _OF_DAYS:
        if steps[0] * px_per_day >= min_gap:
            return steps
    weeks = 2
    while weeks * 7 * px_per_day < min_gap:
        weeks *= 2
    return weeks * 7, weeks * 28, weeks * 56


def _within_days(
    begin: datetime, finish: datetime, tz: ZoneInfo, steps: tuple[int, int, int]
) -> Iterator[tuple[datetime, Kind, str]]:
    """Walk through true time and keep the instants whose wall clock is a multiple of the step.

    Every offset from UTC in use is a multiple of 15 minutes, so a walk in quarters misses no wall-clock hour,
    and the hour that the autumn change repeats gets its ticks twice.
    """
    walk = min(steps[0], 15)
    at = _floor(begin, walk)
    day = (at - timedelta(minutes=walk)).astimezone(tz).date()
    while at <= finish:
        local = at.astimezone(tz)
        # Where the clocks change at midnight a day begins at one o'clock: its first instant stands for midnight.
        minute = 0 if local.date() > day else local.hour * 60 + local.minute
        day = max(day, local.date())
        kind = _kind(local.weekday() * _DAY + minute, steps)
        if at >= begin and kind is not None:
            yield at, kind, _label(local, minute, steps[0]) if kind == "major" else ""
        at += timedelta(minutes=walk)


def _of_days(
    begin: datetime, finish: datetime, tz: ZoneInfo, steps: tuple[int, int, int]
) -> Iterator[tuple[datetime, Kind, str]]:
    day = begin.astimezone(tz).date()
    while (at := datetime.combine(day, time(), tz).astimezone(UTC)) <= finish:
        kind = _kind(day.toordinal() - 1, steps)  # day 1 of the calendar was a Monday
        if at >= begin and kind is not None:
            yield at, kind, _date_label(day) if kind == "major" else ""
        day += timedelta(days=1)


def _kind(count: int, steps: tuple[int, int, int]) -> Kind | None:
    minor, mid, major = steps
    if count % major == 0:
        return "major"
    if count % mid == 0:
        return "mid"
    return "minor" if count % minor == 0 else None


def _label(local: datetime, minute: int, step: int) -> str:
    if minute:
        return f"{local:%H:%M}"
    # From three hours a tick on, days stand too close for the weekday's name.
    return _date_label(local) if step >= 180 else f"{local:%a} {_date_label(local)}"


def _date_label(day: date) -> str:
    return f"{day.day} {day:%b}"


def _floor(at: datetime, minutes: int) -> datetime:
    return at.replace(minute=at.minute - at.minute % minutes, second=0, microsecond=0)
