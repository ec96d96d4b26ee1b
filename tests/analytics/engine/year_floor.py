"""The year as SimPy plays it: people and machines take, in order of the promised dates, the first that they can do.

Written for itself on SimPy's processes and events; nothing of the program's own event loop is in it but the rule by
which the shop works (the earliest date first, later stages of a job first, whatever can start starts).
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import simpy

from tests.analytics.engine.year_shop import KINDS, YearJob, YearShop, YearStage
from tests.benchmarks.simpy_peer import Hours, worked


@dataclass(eq=False)
class Work:
    """A stage under way. state: waiting, attended, alone, lying or done. Instants in minutes since the origin."""

    job: YearJob
    stage: YearStage
    depth: int
    state: str = "waiting"
    started: float = 0.0
    alone_from: float = 0.0
    ended: float = 0.0
    machine: int | None = None
    team: tuple[int, ...] = ()
    attended: simpy.Event = field(default=None)
    done: simpy.Event = field(default=None)


class Floor:
    """The shop at work. turn: by job number, the date by which it takes its turn."""

    def __init__(self, env: simpy.Environment, shop: YearShop):
        self.env, self.shop = env, shop
        self.hours = Hours(shop.calendar)
        self.turn: dict[int, float] = {}
        self.open: dict[int, list[Work]] = {}
        self.waiting: list[tuple[Work, simpy.Event]] = []
        # The least skilled first, so that a simple stage leaves the expert free.
        crew = sorted(shop.spec.people, key=lambda p: (len(p.skills), p.name))
        self.people = {p.key: p for p in crew}
        self.machines = {m.key: m for m in shop.spec.machines}
        self.free = {("person", key) for key in self.people} | {("machine", key) for key in self.machines}
        self.called = False
        env.process(self._openings())

    def take_in(
        self, job: YearJob, turn: float, finished: Callable[[YearJob, list[Work], float], None]
    ) -> None:
        """Begin a job, which takes its turn by that date; `finished` is called at its last finish."""
        works = [Work(job, stage, depth) for stage, depth in zip(job.stages, depths(job), strict=True)]
        for work in works:
            work.attended, work.done = self.env.event(), self.env.event()
        self.turn[job.number], self.open[job.number] = turn, works
        for work in works:
            self.env.process(self._perform(work, works))
        self.env.process(self._close(job, works, finished))

    def _close(self, job: YearJob, works: list[Work], finished: Callable[..., None]) -> Generator:
        yield self.env.all_of([work.done for work in works])
        del self.open[job.number]
        finished(job, works, self.env.now)

    def _perform(self, work: Work, works: list[Work]) -> Generator:
        before = [works[i].attended if kind else works[i].done for i, kind in work.stage.before]
        if before:
            yield self.env.all_of(before)
        minutes = work.stage.minutes
        if KINDS[work.stage.kind].key == "outgas":
            work.state, work.started = "lying", self.env.now
            work.attended.succeed()
            yield self.env.timeout(minutes["unattended"])
        else:
            granted = self.env.event()
            self.waiting.append((work, granted))
            self.call()
            yield granted
            work.state, work.started = "attended", self.env.now
            yield self.env.timeout(worked(self.env.now, minutes["hands_on"], [self.hours]) - self.env.now)
            self._give_back("person", work.team)
            work.alone_from = self.env.now
            work.attended.succeed()
            if "unattended" in minutes:
                work.state = "alone"
                keeps = [] if self.machines[work.machine].alone == "always" else [self.hours]
                yield self.env.timeout(worked(self.env.now, minutes["unattended"], keeps) - self.env.now)
            if work.machine is not None:
                self._give_back("machine", (work.machine,))
        work.state, work.ended = "done", self.env.now
        work.done.succeed()

    def _give_back(self, what: str, keys: tuple[int, ...]) -> None:
        self.free |= {(what, key) for key in keys}
        self.call()

    def call(self) -> None:
        """Look for what can start, once everything else of this instant has happened."""
        if not self.called:
            self.called = True
            look = self.env.event()
            look._ok, look._value = True, None
            look.callbacks.append(self._look)
            self.env.schedule(look, priority=2)

    def _look(self, _: simpy.Event) -> None:
        self.called = False
        if not self.hours.is_open(self.env.now):
            return
        self.waiting.sort(key=lambda one: (self.turn[one[0].job.number], one[0].job.number, -one[0].depth))
        for one in list(self.waiting):
            work, granted = one
            found = self._units_for(work)
            if found is not None:
                work.machine, work.team = found
                self.free -= {("person", key) for key in work.team} | {("machine", work.machine)}
                self.waiting.remove(one)
                granted.succeed()

    def _units_for(self, work: Work) -> tuple[int | None, tuple[int, ...]] | None:
        kind = KINDS[work.stage.kind]
        able = [k for k, p in self.people.items() if kind.skill in p.skills and ("person", k) in self.free]
        if len(able) < kind.people:
            return None
        if not kind.machine:
            return None, tuple(able[: kind.people])
        for key, machine in self.machines.items():
            if kind.machine in machine.does and ("machine", key) in self.free:
                return key, tuple(able[: kind.people])
        return None

    def _openings(self) -> Generator:
        for at in self.hours.open:
            if at > self.env.now:
                yield self.env.timeout(at - self.env.now)
            self.call()


def depths(job: YearJob) -> list[int]:
    """Each stage's longest way from a beginning, in arrows."""
    found: dict[int, int] = {}

    def depth(i: int) -> int:
        if i not in found:
            found[i] = max((depth(b) + 1 for b, _ in job.stages[i].before), default=0)
        return found[i]

    return [depth(i) for i in range(len(job.stages))]
