"""The policy of `kernel` in plain Python: slow, short, and what the compiled loop is tested against.

It keeps lists where the compiled loop keeps heaps and bit masks, and looks at everything at every moment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.hours import Calendar
from analytics.engine.network import ATTENDED_TO_START, Network, SimShop


@dataclass
class _Post:
    """A unit during a replication."""

    calendar: Calendar
    unattended: Calendar
    roll: int
    release: float = -math.inf

    def is_available(self, now: float) -> bool:
        return self.release <= now and bool(self.calendar.is_open(now))


@dataclass
class _Course:
    """An operation during a replication."""

    ready: float
    left: int
    start: float = -1.0
    attended_end: float = -1.0
    end: float = -1.0
    followers: list[tuple[int, int, float]] = field(default_factory=list)


def simulate_plain(
    shop: SimShop, network: Network, minutes: ArrayLike, *, release: ArrayLike | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Finish minutes, shape (runs, jobs), and trace, shape (runs, operations, 3), as `simulate.simulate` gives.

    Raises ValueError where the calendars end first.
    """
    rows = np.asarray(minutes, float)
    starts = np.asarray(network.release[None] if release is None else release, float)
    finish, trace = np.zeros((len(rows), network.jobs)), np.zeros((len(rows), network.size, 3))
    for r, row in enumerate(rows):
        courses = _Replication(shop, network, row, starts[r if len(starts) > 1 else 0]).run()
        for i, course in enumerate(courses):
            trace[r, i] = course.start, course.attended_end, course.end
            finish[r, network.job[i]] = max(finish[r, network.job[i]], course.end)
    return finish, trace


class _Replication:
    def __init__(
        self, shop: SimShop, network: Network, minutes: NDArray[np.float64], release: NDArray[np.float64]
    ) -> None:
        self.shop, self.network, self.minutes = shop, network, minutes
        calendars = shop.calendars
        self.posts = [
            _Post(calendars[u.calendar], calendars[shop.unattended(u)], u.loaded_roll) for u in shop.units
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
        self.todo = sorted(range(network.size), key=lambda i: network.rank[i])

    def run(self) -> list[_Course]:
        for i in [i for i in self.todo if self.network.running[i]]:
            held, people = int(self.network.held_machine[i]), int(self.network.held_people[i])
            self._start(i, 0.0, [held] if held >= 0 else [], [u for u in range(64) if people >> u & 1], 0.0)
        now = 0.0
        while self.todo:
            while self._start_first(now):
                pass
            if self.todo:
                now = self._next_moment(now)
        return self.courses

    def _start_first(self, now: float) -> bool:
        """Start the operation of lowest rank that can start now; whether there was one."""
        for i in self.todo:
            course, need = self.courses[i], int(self.network.need[i])
            if course.left > 0 or course.ready > now:
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
            chosen, change = self._with_roll(machines, int(self.network.roll[i]))
            self._start(i, now, chosen, people, change)
            return True
        return False

    def _with_roll(self, machines: list[int], roll: int) -> tuple[list[int], float]:
        """The machine to take, and the minutes for loading the roll."""
        if not machines or roll < 0:
            return machines[:1], 0.0
        loaded = [u for u in machines if self.posts[u].roll == roll]
        if loaded:
            return loaded[:1], 0.0
        self.posts[machines[0]].roll = roll
        return machines[:1], self.shop.roll_change_minutes

    def _start(self, i: int, now: float, machines: list[int], people: list[int], change: float) -> None:
        attended, unattended = int(self.network.attended[i]), int(self.network.unattended[i])
        work = change + (float(self.minutes[attended]) if attended >= 0 else 0.0)
        course = self.courses[i]
        course.start = now
        course.attended_end = _work(now, work, [self.posts[u].calendar for u in machines + people])
        course.end = course.attended_end
        if unattended >= 0:
            alone = [self.posts[u].unattended for u in machines]
            course.end = _work(course.attended_end, float(self.minutes[unattended]), alone)
        for u in machines:
            self.posts[u].release = course.end
        for u in people:
            self.posts[u].release = course.attended_end
        for j, kind, lag in course.followers:
            begin = course.attended_end if kind == ATTENDED_TO_START else course.end
            self.courses[j].ready = max(self.courses[j].ready, begin + lag)
            self.courses[j].left -= 1
        self.todo.remove(i)

    def _next_moment(self, now: float) -> float:
        """When something next becomes ready, free or open."""
        ready = [self.courses[i].ready for i in self.todo if self.courses[i].left == 0]
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
