"""Working time: exact arithmetic on opening hours, in float64 minutes since a UTC origin.

A calendar is a set of half-open windows [open, close). Working minutes up to t grow with slope 1 inside a
window and are flat outside, so the map has two inverses, and both are needed: work cannot *start* at the
moment of closing (right inverse), but work that ends at closing ends at closing, not at the next opening
(left inverse). Neither is ever interpolated over a flat.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Window = tuple[time, time]

FAR = 1e9
"""Minutes (about 1,900 years): where a calendar that never closes is taken to end."""


class NeverOpen(ValueError):
    """A calendar has no working time at all."""


@dataclass(frozen=True, eq=False)
class Calendar:
    """Working windows, sorted, disjoint and not touching, in minutes since the origin.

    open, close: shape (windows,). cum: working minutes before each opening, shape (windows,).
    Methods take a number or an array and give an array of the same shape; an instant that lies beyond the
    last window is `inf`.
    """

    open: Floats
    close: Floats
    cum: Floats

    @classmethod
    def of(cls, opens: ArrayLike, closes: ArrayLike) -> Calendar:
        """The union of the windows [opens[k], closes[k]), in any order. A negative one is a ValueError."""
        starts, ends = np.atleast_1d(np.asarray(opens, float)), np.atleast_1d(np.asarray(closes, float))
        if starts.shape != ends.shape:
            raise ValueError(f"{starts.size} openings but {ends.size} closings.")
        if np.any(wrong := ~(ends >= starts)):
            k = int(np.argmax(wrong))
            raise ValueError(f"A window closes at {ends[k]:g} min, before it opens at {starts[k]:g} min.")
        merged: list[list[float]] = []
        for lo, hi in sorted(zip(starts.tolist(), ends.tolist(), strict=True)):
            if merged and lo <= merged[-1][1]:
                merged[-1][1] = max(merged[-1][1], hi)
            elif hi > lo:
                merged.append([lo, hi])
        windows = np.array(merged, float).reshape(-1, 2)
        lengths = windows[:, 1] - windows[:, 0]
        return cls(windows[:, 0].copy(), windows[:, 1].copy(), np.cumsum(lengths) - lengths)

    def work(self, t: ArrayLike) -> Floats:
        """Working minutes from the first opening until t."""
        t = np.asarray(t, float)
        if not self.open.size:
            return np.zeros_like(t)
        k = np.maximum(np.searchsorted(self.open, t, "right") - 1, 0)
        into: Floats = np.minimum(np.maximum(t - self.open[k], 0.0), self.close[k] - self.open[k])
        return np.asarray(self.cum[k] + into)

    def is_open(self, t: ArrayLike) -> NDArray[np.bool_]:
        """Whether t lies in a window: open at the opening, closed at the closing."""
        t = np.asarray(t, float)
        opened = np.searchsorted(self.open, t, "right")
        closed = np.searchsorted(self.close, t, "right")
        return np.asarray(opened > closed)

    def start(self, t: ArrayLike) -> Floats:
        """The first open instant at or after t."""
        t = np.asarray(t, float)
        opening = np.append(self.open, np.inf)[np.searchsorted(self.close, t, "right")]
        return np.asarray(np.maximum(t, opening))

    def finish(self, s: ArrayLike, d: ArrayLike) -> Floats:
        """The instant at which d working minutes from s are done; s itself where d is 0."""
        s, d = np.broadcast_arrays(np.asarray(s, float), np.asarray(d, float))
        if np.any(d < 0):
            raise ValueError(f"Work of {d.min():g} minutes: a duration is not negative.")
        if not self.open.size:
            return np.where(d > 0, np.inf, s)
        k = np.minimum(np.searchsorted(self.close, s, "right"), self.open.size - 1)
        begin = np.maximum(s, self.open[k])
        # Inside one window add directly: exact, where the detour over cumulated minutes would round.
        within = begin + d
        total = self.cum[k] + (begin - self.open[k]) + d
        last = np.searchsorted(self.cum + (self.close - self.open), total, "left")
        j = np.minimum(last, self.open.size - 1)
        across = np.where(last < self.open.size, self.open[j] + (total - self.cum[j]), np.inf)
        return np.where(d > 0, np.where(within <= self.close[k], within, across), s)


ALWAYS = Calendar.of(-FAR, FAR)
"""Open day and night."""


def intersect(a: Calendar, b: Calendar) -> Calendar:
    """The time in which both are open; it may have no window at all."""
    opens, closes = [], []
    i = j = 0
    while i < a.open.size and j < b.open.size:
        lo, hi = max(a.open[i], b.open[j]), min(a.close[i], b.close[j])
        if lo < hi:
            opens.append(lo)
            closes.append(hi)
        if a.close[i] < b.close[j]:
            i += 1
        else:
            j += 1
    return Calendar.of(opens, closes)


def minus(calendar: Calendar, spans: Iterable[tuple[float, float]]) -> Calendar:
    """The calendar without the spans (start, end) in minutes, which may overlap.

    Raises NeverOpen if nothing is left.
    """
    pairs = list(spans)
    shut = Calendar.of([lo for lo, _ in pairs], [hi for _, hi in pairs])
    rest = Calendar.of(np.append(-FAR, shut.close), np.append(shut.open, FAR))
    left = intersect(calendar, rest)
    if calendar.open.size and not left.open.size:
        raise NeverOpen(
            f"The {len(pairs)} absences or closures take all {calendar.open.size} opening windows: "
            "no working time is left. Shorten one, or look further ahead."
        )
    return left


def to_minutes(origin: datetime, instant: datetime) -> float:
    """Minutes from origin to instant, both aware, in elapsed time (not wall-clock time)."""
    _require_aware(origin)
    _require_aware(instant)
    return (instant.astimezone(UTC) - origin.astimezone(UTC)).total_seconds() / 60


def to_instant(origin: datetime, minutes: float) -> datetime:
    """The UTC instant that many minutes after origin. Raises ValueError if it is not a date at all."""
    _require_aware(origin)
    try:
        return origin.astimezone(UTC) + timedelta(minutes=float(minutes))
    except (OverflowError, ValueError):
        raise ValueError(f"{minutes:g} minutes after {origin:%Y-%m-%d %H:%M} is no date.") from None


def weekly(
    origin: datetime,
    tz: str,
    hours: Mapping[int, Sequence[Window]],
    days: int,
    holidays: Collection[date] = (),
) -> Calendar:
    """Opening hours that repeat every week, from the day before origin for `days` days from its date.

    origin: aware. hours: weekday (0 = Monday) to windows (opens, closes) on the wall clock of zone tz; one
    that closes at or before the hour it opens closes on the following day, so (09:00, 00:00) ends at
    midnight and (00:00, 00:00) is the whole day. holidays: local dates on which no window opens.
    Each end of a window is converted by itself, so a night on which the clock changes is longer or shorter
    and opening stays at the same hour on the wall. Raises NeverOpen if no window is left.
    """
    _require_aware(origin)
    _require_windows(hours)
    zone, closed = ZoneInfo(tz), frozenset(holidays)
    first = origin.astimezone(zone).date()
    opens, closes = [], []
    for n in range(-1, days):
        day = first + timedelta(days=n)
        for opening, closing in () if day in closed else hours.get(day.weekday(), ()):
            last = day if closing > opening else day + timedelta(days=1)
            opens.append(to_minutes(origin, _instant(datetime.combine(day, opening), zone)))
            closes.append(to_minutes(origin, _instant(datetime.combine(last, closing), zone)))
    calendar = Calendar.of(opens, closes)
    if not calendar.open.size:
        raise NeverOpen(
            f"No opening hours between {first} and {first + timedelta(days=days)}: "
            "give at least one weekday a window, or look further ahead than the holidays."
        )
    return calendar


def _instant(wall: datetime, zone: ZoneInfo) -> datetime:
    """The UTC instant of a naive wall time: the first of two, or the clock change if it is skipped."""
    local = wall.replace(tzinfo=zone)
    before, after = _offset(local), _offset(local.replace(fold=1))
    instant = (wall - before).replace(tzinfo=UTC)
    if after <= before:
        return instant
    # The hour is skipped (PEP 495): the change lies in (wall - after, wall - before]; close in on it.
    lo, hi = -int((after - before).total_seconds()), 0
    while hi - lo > 1:
        middle = (lo + hi) // 2
        if _offset((instant + timedelta(seconds=middle)).astimezone(zone)) == after:
            hi = middle
        else:
            lo = middle
    return instant + timedelta(seconds=hi)


def _offset(local: datetime) -> timedelta:
    offset = local.utcoffset()
    assert offset is not None  # noqa: S101 - every ZoneInfo time has one
    return offset


def _require_aware(instant: datetime) -> None:
    if instant.utcoffset() is None:
        raise ValueError(f"{instant} has no time zone: pass an aware datetime.")


def _require_windows(hours: Mapping[int, Sequence[Window]]) -> None:
    for weekday, windows in hours.items():
        if weekday not in range(7):
            raise ValueError(f"Weekday {weekday}: use 0 (Monday) to 6 (Sunday).")
        for opening, closing in windows:
            if opening == closing != time.min:
                raise ValueError(f"A window on weekday {weekday} opens and closes at {opening:%H:%M}.")
