"""Futures by machine and person: when each stage is on each of them, how likely, and what each begins first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.engine.hours import Calendar
from analytics.engine.latest_start import Course

Floats = NDArray[np.float64]

SELDOM = 0.05
"""A unit that a stage is on in a smaller share of the futures is left out: a picture shows what may well be."""


@dataclass(frozen=True, eq=False)
class Stay:
    """An operation on a unit. share: of the futures in which it is there; starts, ends: in those, sorted, minutes."""

    operation: int
    share: float
    starts: Floats
    ends: Floats

    def chance_at(self, minutes: Floats) -> Floats:
        """The chance that it is going on there at each of these instants, over all futures."""
        begun = np.searchsorted(self.starts, minutes, "right")
        over = np.searchsorted(self.ends, minutes, "right")
        return np.asarray((begun - over) * (self.share / self.starts.size))

    def middle_start(self) -> float:
        """When it starts, half of the time."""
        return quantile(self.starts, 0.5)


def quantile(rising: Floats, p: float) -> float:
    """The least value that a share p or more do not exceed (Hyndman & Fan's type 1), of values that rise."""
    return float(rising[max(math.ceil(p * rising.size - 1e-9) - 1, 0)])


def stays_on(course: Course, bits: int, *, attended: bool) -> list[Stay]:
    """The operations on any unit of the mask, by their middle start. attended: until they are left to run alone."""
    there = (course.units & np.uint64(bits)) != 0
    return _stays(course, there, 1 if attended else 2)


def stays_of(course: Course, operations: Sequence[int]) -> list[Stay]:
    """The same for operations that need no unit."""
    there = np.zeros(course.trace.shape[:2], bool)
    there[:, list(operations)] = True
    return _stays(course, there, 2)


def _stays(course: Course, there: NDArray[np.bool_], end: int) -> list[Stay]:
    shares = there.mean(axis=0)
    found = []
    for i in np.flatnonzero(shares >= SELDOM).tolist():
        at = there[:, i]
        starts, ends = course.trace[at, i, 0], course.trace[at, i, end]
        if float(ends.max()) > 0.0:
            found.append(Stay(i, float(shares[i]), np.sort(starts), np.sort(ends)))
    return sorted(found, key=lambda stay: (stay.middle_start(), stay.operation))


@dataclass(frozen=True)
class First:
    """An operation that a unit begins first: in which share of the futures, and then when, half of the time."""

    operation: int
    share: float
    at: float


def first_on(course: Course, bits: int, begun: NDArray[np.bool_], most: int = 2) -> list[First]:
    """What the units of the mask begin first from the origin on, the likeliest first; begun: (operations,)."""
    starts = np.where(((course.units & np.uint64(bits)) != 0) & ~begun, course.trace[:, :, 0], np.inf)
    if not starts.size:
        return []
    first = np.argmin(starts, axis=1)
    at = starts[np.arange(len(starts)), first]
    some = np.isfinite(at)
    counts = np.bincount(first[some], minlength=starts.shape[1])
    order = np.argsort(-counts, kind="stable")[:most]
    return [
        First(i, float(counts[i] / len(starts)), float(np.median(at[some & (first == i)])))
        for i in order.tolist()
        if counts[i] / len(starts) >= SELDOM
    ]


def gaps(calendar: Calendar, low: float, high: float) -> list[tuple[float, float]]:
    """The closed stretches between two instants."""
    found, at = [], low
    for opens, closes in zip(calendar.open.tolist(), calendar.close.tolist(), strict=True):
        if closes <= low:
            continue
        if opens >= high:
            break
        if opens > at:
            found.append((at, opens))
        at = max(at, closes)
    return [*found, (at, high)] if at < high else found
