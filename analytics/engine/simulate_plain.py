"""The policy of `kernel` in plain Python: slow, short, and what the compiled loop is tested against.

It keeps lists where the compiled loop keeps heaps and bit masks, and looks at everything at every moment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.hours import Calendar
from analytics.engine.network import ABSENT, ATTENDED_TO_START, Network, SimShop


@dataclass
class _Post:
    """A unit during a replication."""

    calendar: Calendar
    unattended: Calendar
    roll: int
    hot: float
    cool: float
    watched: bool
    release: float = -math.inf

    def is_available(self, now: float) -> bool:
        return self.release <= now and bool(self.calendar.is_open(now))


@dataclass
class _Course:
    """An operation during a replication."""

    ready: float
    left: int
    not_before: float = 0.0
    on: int = 0
    start: float = -1.0
    attended_end: float = -1.0
    end: float = -1.0
    followers: list[tuple[int, int, float]] = field(default_factory=list)


def simulate_plain(
    shop: SimShop, network: Network, minutes: ArrayLike, *, release: ArrayLike | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint64]]:
    """Finish minutes, shape (runs, jobs), trace and units, shape (runs, operations, 3) and (runs, operations).

    As `simulate.simulate` gives them. Raises ValueError where the calendars end first.
    """
    rows = np.asarray(minutes, float)
    starts = np.asarray(network.release[None] if release is None else release, float)
    finish, trace = np.zeros((len(rows), network.jobs)), np.zeros((len(rows), network.own, 3))
    units = np.zeros((len(rows), network.own), np.uint64)
    for r, row in enumerate(rows):
        courses = _Replication(shop, network, row, starts[r if len(starts) > 1 else 0]).run()
        for i, course in enumerate(courses[: network.own]):
            trace[r, i], units[r, i] = (course.start, course.attended_end, course.end), course.on
            finish[r, network.job[i]] = max(finish[r, network.job[i]], course.end)
    return finish, trace, units


class _Replication:
    def __init__(
        self, shop: SimShop, network: Network, minutes: NDArray[np.float64], release: NDArray[np.float64]
    ) -> None:
        self.shop, self.network, self.minutes = shop, network, minutes
        calendars = shop.calendars
        self.posts = [
            _Post(
                calendars[u.calendar],
                calendars[shop.unattended(u)],
                u.loaded_roll,
                u.hot_until,
                u.cool,
                u.watched,
            )
            for u in shop.units
        ]
        self.courses = [
            _Course(max(float(release[i]), 0.0), int(network.predecessors[i])) for i in range(network.size)
        ]
        for i, course in enumerate(self.courses):
            edges = range(network.edge_start[i], network.edge_start[i + 1])
            course.followers = [
                (int(network.edge_to[e]), int(network.edge_kind[e]), float(network.edge_lag[e]))
                for e in edges
            ]
        self.todo = sorted(self._present(), key=lambda i: network.rank[i])

    def _present(self) -> list[int]:
        """The operations of this replication; those of work that comes in are ready at its arrival."""
        there = list(range(self.network.own))
        slots = self.network.slots
        for first, last, column in zip(slots.first, slots.last, slots.arrival, strict=True):
            arrival = float(self.minutes[column])
            for i in range(first, last) if arrival < ABSENT else ():
                self.courses[i].ready = arrival
                there.append(i)
        return there

    def _is_going_on(self) -> bool:
        return sum(i < self.network.own for i in self.todo) > self.network.own - self.network.goal

    def run(self) -> list[_Course]:
        for i in [i for i in self.todo if self.network.running[i]]:
            held, people = int(self.network.held_machine[i]), int(self.network.held_people[i])
            self._start(i, 0.0, [held] if held >= 0 else [], [u for u in range(64) if people >> u & 1], 0.0)
        now = 0.0
        while self._is_going_on():
            while self._start_first(now):
                pass
            if self._is_going_on():
                now = self._next_moment(now)
        return self.courses

    def _start_first(self, now: float) -> bool:
        """Start the operation of lowest rank that can start now; whether there was one."""
        for i in self.todo:
            course, need = self.courses[i], int(self.network.need[i])
            if course.left > 0 or max(course.ready, course.not_before) > now:
                continue
            if need < 0:
                self._start(i, course.ready, [], [], 0.0)
                return True
            free = [u for u, post in enumerate(self.posts) if post.is_available(now)]
            asked = self.network.needs[need]
            machines = [u for u in free if asked.machines is not None and asked.machines >> u & 1]
            people = [u for u in free if asked.people >> u & 1][: asked.people_count]
            if (asked.machines is not None and not machines) or len(people) < asked.people_count:
                continue
            chosen, change = self._machine(machines, i, now)
            course.not_before = self._allowed(i, now, chosen, people, change)
            if course.not_before > now:
                continue
            self._start(i, now, chosen, people, change)
            return True
        return False

    def _machine(self, machines: list[int], i: int, now: float) -> tuple[list[int], float]:
        """The machine to take, and the minutes for loading the roll: rather one with the roll, then a cold one."""
        roll, cold = int(self.network.roll[i]), bool(self.network.cold[i])
        if not machines:
            return [], 0.0
        posts = self.posts
        best = min(
            machines, key=lambda u: (roll >= 0 and posts[u].roll != roll, cold and posts[u].hot > now, u)
        )
        other = roll >= 0 and posts[best].roll != roll
        return [best], self.shop.roll_change_minutes if other else 0.0

    def _allowed(self, i: int, now: float, machines: list[int], people: list[int], change: float) -> float:
        """When the customer lets it begin: now, or the opening to wait for."""
        span = slice(self.network.window_start[i], self.network.window_start[i + 1])
        pairs = zip(self.network.window_open[span], self.network.window_close[span], strict=True)
        windows = [(float(opens), float(closes)) for opens, closes in pairs if closes > now]
        if not windows:
            return now
        if windows[0][0] > now:
            return windows[0][0]

        def fits(opens: float, closes: float) -> bool:
            _, attended_end = self._attend(i, max(opens, now), machines, people, change)
            return attended_end <= closes

        if not fits(*windows[0]) and any(fits(*window) for window in windows[1:]):
            return windows[1][0]
        return now

    def _attend(
        self, i: int, now: float, machines: list[int], people: list[int], change: float
    ) -> tuple[float, float]:
        """When its machine is cold, and when its attended part ends."""
        work = change + self._drawn(self.network.attended[i])
        if any(self.posts[u].watched for u in machines):
            work += self._drawn(self.network.unattended[i])
        begin = max([now, *(self.posts[u].hot for u in machines if self.network.cold[i])])
        hours = []
        for u in machines + people:
            lasting = self.network.needs[self.network.need[i]].lasting(self.shop, u)
            hours.append(self.shop.calendars[lasting])
        return begin, _work(begin, work, hours)

    def _drawn(self, column: int) -> float:
        return float(self.minutes[column]) if column >= 0 else 0.0

    def _start(self, i: int, now: float, machines: list[int], people: list[int], change: float) -> None:
        course = self.courses[i]
        course.start, course.on = now, sum(1 << u for u in machines + people)
        _, course.attended_end = self._attend(i, now, machines, people, change)
        course.end = course.attended_end
        if not any(self.posts[u].watched for u in machines):
            alone = [self.posts[u].unattended for u in machines]
            course.end = _work(course.attended_end, self._drawn(self.network.unattended[i]), alone)
        for u in machines:
            self.posts[u].release = course.end
            if self.network.heats[i]:
                self.posts[u].hot = course.end + self.posts[u].cool
            if self.network.roll[i] >= 0 and not self.network.running[i]:
                self.posts[u].roll = int(self.network.roll[i])
        for u in people:
            self.posts[u].release = course.attended_end
        for j, kind, lag in course.followers:
            begin = course.attended_end if kind == ATTENDED_TO_START else course.end
            self.courses[j].ready = max(self.courses[j].ready, begin + lag)
            self.courses[j].left -= 1
        self.todo.remove(i)

    def _next_moment(self, now: float) -> float:
        """When something next becomes ready, free or open."""
        waiting = [self.courses[i] for i in self.todo if self.courses[i].left == 0]
        ready = [max(course.ready, course.not_before) for course in waiting]
        moments = ready + [post.release for post in self.posts]
        moments += [float(post.calendar.start(now)) for post in self.posts]
        later = [t for t in moments if now < t < math.inf]
        if not later:
            raise ValueError(f"No opening hours left for {self.network.names[self.todo[0]]!r}.")
        return min(later)


def _work(t: float, minutes: float, calendars: list[Calendar]) -> float:
    """When so many minutes are done from t while all calendars are open together."""
    while minutes > 0 and t < math.inf:
        moved = max([t, *(float(c.start(t)) for c in calendars)])
        if moved > t:
            t = moved
            continue
        closing = min([math.inf, *(float(c.close[np.searchsorted(c.close, t, "right")]) for c in calendars)])
        spell = min(minutes, closing - t)
        t, minutes = t + spell, (0.0 if spell == minutes else minutes - spell)
    return t
