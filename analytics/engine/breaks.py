"""When in the day somebody hardly ever works, though they do before and after: their break. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SLOT = 15
"""Minutes: the day is looked at in quarters of an hour."""

SLOTS = 24 * 60 // SLOT

LONGEST = 90 // SLOT
"""Slots: what is longer is no break but another rhythm of the day."""

BESIDE = 2
"""Slots before a break, and after it, with which it is compared."""

HARDLY = 0.1
"""Share of the minutes beside it below which nobody is at work."""

ENOUGH = 120.0
"""Minutes in each half an hour beside it, over all days, below which nothing can be told."""


def minutes_of_day(spans: Iterable[tuple[datetime, datetime]]) -> Floats:
    """Minutes at work in each slot of the day, summed over the days, shape (SLOTS,). spans: local instants."""
    found = np.zeros(SLOTS)
    for starts, ends in spans:
        at = starts
        while at < ends:
            slot = (at.hour * 60 + at.minute) // SLOT
            midnight = at.replace(hour=0, minute=0, second=0, microsecond=0)
            until = min(ends, midnight + timedelta(minutes=SLOT * (slot + 1)))
            found[slot] += (until - at) / timedelta(minutes=1)
            at = until
    return found


def breaks_of(worked: Floats) -> tuple[tuple[time, time], ...]:
    """The breaks of a day, in order. worked: as `minutes_of_day`."""
    found: list[tuple[time, time]] = []
    k = BESIDE
    while k < SLOTS - BESIDE:
        length = next((n for n in range(LONGEST, 0, -1) if _is_break(worked, k, n)), 0)
        if length:
            found.append((_clock(k), _clock(k + length)))
        k += max(length, 1)
    return tuple(found)


def _is_break(worked: Floats, first: int, length: int) -> bool:
    after = first + length
    if after + BESIDE > SLOTS:
        return False
    beside = worked[first - BESIDE : first].sum(), worked[after : after + BESIDE].sum()
    most = HARDLY * min(beside) / BESIDE
    return bool(min(beside) >= ENOUGH and np.all(worked[first:after] <= most))


def _clock(slot: int) -> time:
    hour, minute = divmod(slot * SLOT, 60)
    return time(hour % 24, minute)
