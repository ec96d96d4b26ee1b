"""The same shop and policy on SimPy's event loop: a process per operation, and a foreman who hands out units.

SimPy's resources are asked for one by one, and an operation here takes its machine and its people together, so
the foreman keeps one queue by rank and grants a request when all its units are free and open.
"""

from bisect import bisect_right
from collections.abc import Generator
from heapq import heappop, heappush

import numpy as np
import simpy

from analytics.engine.network import Network, SimShop


class Hours:
    """A calendar as lists, which plain Python reads faster than arrays."""

    def __init__(self, calendar):
        self.open, self.close = calendar.open.tolist(), calendar.close.tolist()

    def is_open(self, t):
        k = bisect_right(self.close, t)
        return k < len(self.close) and self.open[k] <= t


def worked(t, minutes, calendars):
    """When so many minutes are done from t while all the calendars are open together."""
    if not calendars:
        return t + minutes
    while minutes > 0:
        closing, moved = float("inf"), False
        for hours in calendars:
            k = bisect_right(hours.close, t)
            if hours.open[k] > t:
                t, moved = hours.open[k], True
                break
            closing = min(closing, hours.close[k])
        if moved:
            continue
        if minutes <= closing - t:
            return t + minutes
        minutes -= closing - t
        t = closing
    return t


class Foreman:
    """Grants the waiting request of lowest rank whose units are all there; again until none is."""

    def __init__(self, env, shop: SimShop, network: Network):
        self.env, self.shop = env, shop
        hours = [Hours(calendar) for calendar in shop.calendars]
        self.hours = [hours[unit.calendar] for unit in shop.units]
        self.alone = [hours[shop.unattended(unit)] for unit in shop.units]
        self.rolls = [unit.loaded_roll for unit in shop.units]
        self.free = [True] * len(shop.units)
        self.needs = [
            (self.members(need.machines or 0), self.members(need.people), need.people_count)
            for need in network.needs
        ]
        self.waiting = [[] for _ in network.needs]
        self.called = False

    def members(self, bits):
        return [u for u in range(len(self.shop.units)) if bits >> u & 1]

    def request(self, need, rank, roll):
        granted = self.env.event()
        heappush(self.waiting[need], (rank, roll, granted))
        self.call()
        return granted

    def release(self, units):
        for u in units:
            self.free[u] = True
        self.call()

    def call(self):
        """Look again once everything else of this instant has happened."""
        if not self.called:
            self.called = True
            look = self.env.event()
            look._ok, look._value = True, None
            look.callbacks.append(self.look)
            self.env.schedule(look, priority=2)

    def look(self, _):
        self.called = False
        there = [
            free and hours.is_open(self.env.now) for free, hours in zip(self.free, self.hours, strict=True)
        ]
        while (need := self.first(there)) is not None:
            _, roll, granted = heappop(self.waiting[need])
            machines, people, count = self.needs[need]
            machine, change = self.machine_for(roll, [u for u in machines if there[u]])
            team = [u for u in people if there[u]][:count]
            for u in machine + team:
                there[u] = self.free[u] = False
            granted.succeed((machine, team, change))

    def first(self, there):
        best = None
        for need, (machines, people, count) in enumerate(self.needs):
            queue = self.waiting[need]
            if not queue or (best is not None and queue[0][0] > self.waiting[best][0][0]):
                continue
            if machines and not any(there[u] for u in machines):
                continue
            if sum(there[u] for u in people) >= count:
                best = need
        return best

    def machine_for(self, roll, machines):
        if not machines or roll < 0:
            return machines[:1], 0.0
        for u in machines:
            if self.rolls[u] == roll:
                return [u], 0.0
        self.rolls[machines[0]] = roll
        return machines[:1], self.shop.roll_change_minutes


def simulate_with_simpy(shop: SimShop, network: Network, minutes) -> np.ndarray:
    """Finish minutes, shape (runs, jobs), for a network without running operations."""
    finish = np.zeros((len(minutes), network.jobs))
    before = [[] for _ in range(network.size)]
    for i in range(network.size):
        for e in range(network.edge_start[i], network.edge_start[i + 1]):
            before[network.edge_to[e]].append((i, int(network.edge_kind[e]), float(network.edge_lag[e])))
    columns = [
        network.need,
        network.rank,
        network.roll,
        network.attended,
        network.unattended,
        network.release,
    ]
    operations = list(zip(*(column.tolist() for column in columns), before, strict=True))
    for r, row in enumerate(minutes):
        ends = one_run(shop, network, operations, row.tolist())
        np.maximum.at(finish[r], network.job, ends)
    return finish


def one_run(shop, network, operations, row):
    env = simpy.Environment()
    foreman = Foreman(env, shop, network)
    attended_done = [env.event() for _ in operations]
    done = [env.event() for _ in operations]
    ends = [0.0] * len(operations)

    def perform(i, need, rank, roll, attended, unattended, release, before) -> Generator:
        if release > 0:
            yield env.timeout(release)
        if before:
            yield env.all_of([(attended_done if kind else done)[j] for j, kind, _ in before])
            if any(lag for _, _, lag in before):
                raise NotImplementedError("This peer knows no lags.")
        machine, team, change = [], [], 0.0
        if need >= 0:
            machine, team, change = yield foreman.request(need, rank, roll)
        work = change + (row[attended] if attended >= 0 else 0.0)
        yield env.timeout(worked(env.now, work, [foreman.hours[u] for u in machine + team]) - env.now)
        foreman.release(team)
        attended_done[i].succeed()
        if unattended >= 0:
            yield env.timeout(worked(env.now, row[unattended], [foreman.alone[u] for u in machine]) - env.now)
        foreman.release(machine)
        done[i].succeed()
        ends[i] = env.now

    def open_up() -> Generator:
        openings = sorted({t for hours in foreman.hours for t in hours.open if t > 0})
        for t in openings:
            yield env.timeout(t - env.now)
            foreman.call()

    env.process(open_up())
    work = [env.process(perform(i, *operation)) for i, operation in enumerate(operations)]
    env.run(until=env.all_of(work))
    return ends
