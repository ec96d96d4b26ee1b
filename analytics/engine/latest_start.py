"""The latest start of each stage at which its job is still in time, in every sampled future.

A future is walked backwards, from the date to the stage: the minutes that each stage took in it, the time that it
waited in the queue, holds, closed hours and lags are kept, and only the instants move. In each future a start at t
is in time exactly if t is no later than the latest one, so that the share of futures whose latest start is t or
later is the chance of being in time from t on, and its quantile is the latest safe start.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import Book, Look
from analytics.engine.hours import ALWAYS, Calendar, intersect
from analytics.engine.network import Edge, EdgeKind

Floats = NDArray[np.float64]
Masks = NDArray[np.uint64]

EPS = 1e-6
"""Minutes by which rounding may move an instant."""


@dataclass(frozen=True, eq=False)
class Course:
    """What became of every operation: `Look.trace`, shape (runs, operations, 3), and `Look.units` beside it."""

    trace: Floats
    units: Masks


def course_of(seen: Look) -> Course:
    """The course of futures that were looked at with a trace."""
    assert seen.trace is not None and seen.units is not None  # noqa: S101, PT018 - asked for with a trace
    return Course(seen.trace, seen.units)


def latest_starts(book: Book, course: Course, dues: Mapping[int, float]) -> dict[int, Floats]:
    """Of each operation of these jobs, the latest start in each future that still meets its date, shape (runs,).

    dues: job's index to its date, minutes since the origin. -inf where the date is lost in that future whenever the
    operation starts: another branch of the job is late by itself, or a later stage may not begin in time.
    """
    walk = _Backwards(book, course, dues)
    return {i: latest for job in dues for i, latest in walk.found(job).items()}


def safe_start(latest: Floats, level: float) -> float:
    """The latest start that is in time in a share `level` or more of the futures; -inf if there is none."""
    kept = max(1, int(np.ceil(level * latest.size - 1e-9)))
    return float(np.sort(latest)[latest.size - kept])


def latest_before(calendar: Calendar, until: Floats, minutes: Floats) -> Floats:
    """The latest instant from which so many working minutes are done by `until`; `until` itself for none of them."""
    if calendar is ALWAYS:  # exact, where the detour over cumulated minutes would round
        return np.asarray(until - minutes)
    if not calendar.open.size:  # a visit in closed hours
        return np.where(minutes > 0, -np.inf, until)
    left = np.asarray(calendar.work(until) - minutes)
    k = np.searchsorted(calendar.cum, left, "right") - 1
    back = calendar.open[np.maximum(k, 0)] + (left - calendar.cum[np.maximum(k, 0)])
    return np.where(k < 0, -np.inf, np.minimum(back, until))


class _Backwards:
    """The futures of jobs, walked from their dates back."""

    def __init__(self, book: Book, course: Course, dues: Mapping[int, float]) -> None:
        self.book, self.course, self.dues = book, course, dues
        self.of_job: dict[int, list[int]] = defaultdict(list)
        for i, operation in enumerate(book.plan.operations):
            self.of_job[operation.job].append(i)
        self.after: dict[int, list[Edge]] = defaultdict(list)
        self.before: dict[int, list[Edge]] = defaultdict(list)
        for edge in book.edges:
            self.after[edge.before].append(edge)
            self.before[edge.after].append(edge)
        self.calendars: dict[frozenset[int], Calendar] = {}
        self.start: dict[int, Floats] = {}
        self.ready: dict[int, Floats] = {}
        self.late: dict[int, NDArray[np.bool_]] = {}

    def found(self, job: int) -> dict[int, Floats]:
        """The latest starts by operation of one job."""
        order = self._last_first(self.of_job[job])
        for i in order:
            self._walk(i)
        beyond = {i: self._reach(i, self.after, "after") for i in order}
        ahead = {i: self._reach(i, self.before, "before") for i in order}
        answer = {}
        for i in order:
            lost = np.zeros(len(self.course.trace), bool)
            for u in order:
                if u in beyond[i]:
                    lost |= self._release(u) > self.start[u] + EPS
                elif u != i and u not in ahead[i]:
                    lost |= self.late[u]
            answer[i] = np.where(lost, -np.inf, self.start[i])
        return answer

    def _walk(self, i: int) -> None:
        """When operation i may start and be ready at the latest, from those after it."""
        runs = len(self.course.trace)
        end, attended_end = np.full(runs, self.dues[self.book.plan.operations[i].job]), np.full(runs, np.inf)
        for edge in self.after[i]:
            until = self.ready[edge.after] - edge.lag
            if edge.kind == EdgeKind.ATTENDED_TO_START:
                attended_end = np.minimum(attended_end, until)
            else:
                end = np.minimum(end, until)
        _, was_attended, was_end = self.course.trace[:, i].T
        self.late[i] = (was_end > end + EPS) | (was_attended > attended_end + EPS)
        was_ready = self._was_ready(i)
        start, ready = np.empty(runs), np.empty(runs)
        for mask in np.unique(self.course.units[:, i]).tolist():
            at = self.course.units[:, i] == mask
            start[at], ready[at] = self._back(i, mask, at, end[at], attended_end[at], was_ready[at])
        self.start[i], self.ready[i] = start, ready

    def _back(
        self, i: int, mask: int, at: NDArray[np.bool_], end: Floats, attended_end: Floats, was_ready: Floats
    ) -> tuple[Floats, Floats]:
        """The latest start and the latest readiness in the futures in which it was on these units."""
        was_start, was_attended, was_end = self.course.trace[at, i].T
        by_hand, alone = self._hours(i, mask)
        until = np.minimum(latest_before(alone, end, _worked(alone, was_attended, was_end)), attended_end)
        worked = _worked(by_hand, was_start, was_attended)
        start = latest_before(by_hand, until, worked)
        windows = self.book.plan.operations[i].windows
        queue = by_hand
        if windows:
            start = _within(by_hand, windows, start, worked)
            queue = intersect(by_hand, Calendar.of(*zip(*windows, strict=True)))
        if self.book.plan.operations[i].running is not None:
            return start, start
        waited = np.maximum(_worked(queue, was_ready, was_start), 0.0)
        return start, latest_before(queue, start, waited)

    def _was_ready(self, i: int) -> Floats:
        """When operation i was ready in each future."""
        ready = np.full(len(self.course.trace), self._release(i))
        for edge in self.before[i]:
            part = 1 if edge.kind == EdgeKind.ATTENDED_TO_START else 2
            ready = np.maximum(ready, self.course.trace[:, edge.before, part] + edge.lag)
        return ready

    def _release(self, i: int) -> float:
        """Before when operation i may not begin."""
        operation = self.book.plan.operations[i]
        return max(operation.release, operation.pinned or 0.0)

    def _hours(self, i: int, mask: int) -> tuple[Calendar, Calendar]:
        """The hours that count while somebody is at it on these units, and while it runs alone."""
        plan, shop = self.book.plan, self.book.plan.shop
        units = [u for u in range(int(mask).bit_length()) if int(mask) >> u & 1]
        need = plan.needs[plan.operations[i].need]
        machines = need.machines or 0
        alone = next((shop.unattended(shop.units[u]) for u in units if machines >> u & 1), None)
        return (
            self._together(frozenset(need.lasting(shop, u) for u in units)),
            ALWAYS if alone is None else self._together(frozenset([alone])),
        )

    def _together(self, indices: frozenset[int]) -> Calendar:
        """The hours in which all of these calendars are open."""
        if indices not in self.calendars:
            hours = ALWAYS
            for calendar in (self.book.plan.shop.calendars[k] for k in sorted(indices)):
                hours = (
                    calendar
                    if hours is ALWAYS
                    else hours
                    if calendar is ALWAYS
                    else intersect(hours, calendar)
                )
            self.calendars[indices] = hours
        return self.calendars[indices]

    def _last_first(self, mine: Sequence[int]) -> list[int]:
        """A job's operations, each after all that follow it."""
        left = {i: len(self.after[i]) for i in mine}
        order = [i for i in mine if not left[i]]
        for i in order:
            for edge in self.before[i]:
                left[edge.before] -= 1
                if not left[edge.before]:
                    order.append(edge.before)
        return order

    def _reach(self, i: int, edges: dict[int, list[Edge]], end: str) -> set[int]:
        """All operations that lie behind or before operation i."""
        found: set[int] = set()
        way = [i]
        while way:
            for edge in edges[way.pop()]:
                other = getattr(edge, end)
                if other not in found:
                    found.add(other)
                    way.append(other)
        return found


def _worked(calendar: Calendar, start: Floats, end: Floats) -> Floats:
    """Working minutes between two instants of each future."""
    return np.asarray(end - start if calendar is ALWAYS else calendar.work(end) - calendar.work(start))


def _within(
    calendar: Calendar, windows: Sequence[tuple[float, float]], start: Floats, worked: Floats
) -> Floats:
    """The latest start, no later than `start`, that lies in a window and is done before it closes."""
    best = np.full(start.shape, -np.inf)
    for opens, closes in windows:
        last = np.minimum(start, latest_before(calendar, np.full(start.shape, closes), worked))
        best = np.where(last >= opens, np.maximum(best, last), best)
    return best
