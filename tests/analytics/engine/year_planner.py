"""The owner's side of the year: learns from what finishes, gives every job that comes in a date, and keeps a ledger.

Beside the program's date two others are worked out, as an owner might without it: means and a quarter, and a sum of
eight-in-ten times. Both know the program's forecasts and the work ahead; they only do not play it through.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from typing import cast

import numpy as np
import simpy

from analytics.engine.book import BookedJob, run
from analytics.engine.forecast import PROBS, Forecast
from analytics.engine.learner import JobRecord, Learner, StageRecord, forecast_job
from analytics.engine.placing import placed
from analytics.engine.plan import MinutesSpec, RunningSpec, StageSpec
from analytics.engine.trade import PARTS, Part
from analytics.engine.work import Arrow, Later, LaterJob, OpenWork
from tests.analytics.engine.year_floor import Floor, Work
from tests.analytics.engine.year_shop import DAYS, HOLD, KINDS, ORIGIN, YearJob, YearShop

AHEAD = 60
"""Days for which the calendars of one date reach."""
RECENT = 30
"""How many past jobs stand for those that may come in."""
FRESH = 4
"""A job's laws are worked out anew after so many more finished jobs."""

SURER = "ours, 19 in 20"
"""The later date of the same futures. The job takes its turn by the first all the same."""

Parts = dict[Part, Forecast]


@dataclass
class Given:
    """A date given: by whom it was worked out, minutes since the origin, and what became of it."""

    job: int
    at: float
    dates: dict[str, float]
    finish: float = np.inf


@dataclass
class Planner:
    """One shop's planner. level: how often its dates are to be kept. later: whether it allows for later work."""

    shop: YearShop
    level: float
    runs: int = 600
    later: bool = True
    taught: int = 40
    learner: Learner = field(default_factory=Learner)
    given: list[Given] = field(default_factory=list)
    _came: list[tuple[YearJob, float]] = field(default_factory=list)
    _templates: tuple[LaterJob, ...] = ()
    _finished: int = 0
    _known: dict[int, tuple[int, list[Parts]]] = field(default_factory=dict)

    def year(self, days: int) -> list[Given]:
        """Play so many days and give the ledger of all jobs that finished."""
        env = simpy.Environment()
        floor = Floor(env, self.shop)
        rng = np.random.default_rng([self.shop.seed, 3])
        for n in range(self.taught):  # what the shop has clocked before
            self._learn(self.shop.job(-1 - n, 0.0, rng), -1440.0 * (self.taught - n), rng)
        env.process(self._door(env, floor, days))
        env.run(until=(DAYS - 5) * 1440.0)
        return [one for one in self.given if np.isfinite(one.finish)]

    def _door(self, env: simpy.Environment, floor: Floor, days: int):
        for job in self.shop.jobs(days):
            yield env.timeout(job.at - env.now)
            dates = self._dates(floor, job)
            given = Given(job.number, job.at, dates)
            self.given.append(given)
            self._came.append((job, dates["ours"] - job.at))
            floor.take_in(job, dates["ours"], self._closing(given))

    def _closing(self, given: Given) -> Callable[[YearJob, list[Work], float], None]:
        def finished(job: YearJob, _: list[Work], now: float) -> None:
            given.finish = now
            self._known.pop(job.number, None)
            self._learn(job, now, np.random.default_rng([self.shop.seed, 4, job.number]))

        return finished

    def _learn(self, job: YearJob, now: float, rng: np.random.Generator) -> None:
        record = record_of(job, now)
        forecasts, _, whole = forecast_job(self.learner, record, rng)
        self.learner.learn(record, forecasts, whole)
        self._finished += 1

    def _dates(self, floor: Floor, job: YearJob) -> dict[str, float]:
        now = job.at
        laws = {number: self._laws(works[0].job) for number, works in floor.open.items()}
        mine = self._laws(job)
        work = self._open_work(floor, job, now, laws, mine)
        seed = job.number
        book = placed(work.book(), self.level, seed=seed, shortest=self._shortest())
        futures = run(book, runs=self.runs, seed=seed, level=self.level)
        rivals = self._rivals(floor, now, laws, job, mine)
        ours = {"ours": now + futures.quantile(self.level), SURER: now + futures.quantile(0.95)}
        return {**ours, **rivals}

    def _laws(self, job: YearJob) -> list[Parts]:
        since, known = self._known.get(job.number, (-FRESH, []))
        if self._finished - since >= FRESH:
            known = [cast(Parts, self.learner.parts(stage)) for stage in record_of(job, 0.0).stages]
            self._known[job.number] = self._finished, known
        return known

    def _open_work(
        self, floor: Floor, job: YearJob, now: float, laws: dict[int, list[Parts]], mine: list[Parts]
    ) -> OpenWork:
        stages: list[StageSpec] = []
        arrows: list[Arrow] = []
        booked = []
        for index, (number, works) in enumerate(floor.open.items()):
            booked.append(BookedJob(number, f"{number}", floor.turn[number] - now))
            left, links = left_of(index, works, now, laws[number], self.shop)
            stages += left
            arrows += links
        fresh, links = whole_of(len(booked), job, mine)
        booked.append(BookedJob(job.number, f"{job.number}"))
        origin = ORIGIN + timedelta(minutes=now)
        spec = self.shop.spec
        return OpenWork(
            origin,
            type(spec)(origin, spec.zone, spec.hours, spec.closed, spec.people, spec.machines),
            tuple(booked),
            (*stages, *fresh),
            (*arrows, *links),
            len(booked) - 1,
            AHEAD + 10 * len(booked),
            self._later(now),
        )

    def _later(self, now: float) -> Later | None:
        """What came in of late may come in again, as often as it did."""
        if not self.later or len(self._came) < 10:
            return None
        if len(self._came) % 10 == 0 or not self._templates:
            recent = self._came[-RECENT:]
            self._templates = tuple(
                LaterJob(*map(tuple, whole_of(0, job, self._laws(job))), lead) for job, lead in recent
            )
        gap = float(self.shop.calendar.work(now) - self.shop.calendar.work(0.0)) / len(self._came)
        return Later(self._templates, gap, AHEAD / 2 * 1440.0)

    def _shortest(self) -> float:
        """Minutes from coming in to the date that few of those before had less of."""
        return float(np.quantile([lead for _, lead in self._came], 0.05)) if self._came else 0.0

    def _rivals(
        self, floor: Floor, now: float, laws: dict[int, list[Parts]], job: YearJob, mine: list[Parts]
    ) -> dict[str, float]:
        """The work ahead shared out among all hands, then the job's own stages one after the other, holds elapsed."""
        means, eights = (lambda law: law.mean), (lambda law: law.quantile(0.8))
        found = {}
        for name, of, more in (("means and a quarter", means, 1.25), ("sum of eight-in-tens", eights, 1.0)):
            ahead = sum(
                of(part)
                for number, works in floor.open.items()
                for work, parts in zip(works, laws[number], strict=True)
                if work.state == "waiting" and KINDS[work.stage.kind].key != "outgas"
                for kind, part in parts.items()
                if kind == "hands_on"
            )
            at = float(self.shop.calendar.finish(now, ahead / len(self.shop.spec.people) * more))
            for stage, parts in zip(job.stages, mine, strict=True):
                if KINDS[stage.kind].key == "outgas":
                    at += HOLD
                    continue
                own = sum(of(part) for part in parts.values()) * more
                at = float(self.shop.calendar.finish(at, own))
            found[name] = at
        return found


def record_of(job: YearJob, finished: float) -> JobRecord:
    """The job as the learner knows it; lying is no work."""
    stages = tuple(
        StageRecord(
            KINDS[stage.kind].key,
            f"{KINDS[stage.kind].key}",
            stage.minutes.get("hands_on", 0.0),
            stage.minutes.get("unattended", 0.0),
            job.drivers,
            {"job_type": f"type {job.kind}"},
            finished,
            finished,
            used=KINDS[stage.kind].key != "outgas",
        )
        for stage in job.stages
    )
    return JobRecord(f"{job.number}", f"type {job.kind}", finished, stages)


def whole_of(index: int, job: YearJob, laws: list[Parts]) -> tuple[list[StageSpec], list[Arrow]]:
    """A job of which nothing is done."""
    stages = [_spec(index, job, i, laws[i]) for i in range(len(job.stages))]
    return stages, _arrows(job)


def left_of(
    index: int, works: list[Work], now: float, laws: list[Parts], shop: YearShop
) -> tuple[list[StageSpec], list[Arrow]]:
    """What is left of a job, as one sees it on the floor."""
    job = works[0].job
    left = []
    for i, work in enumerate(works):
        if work.state == "done":
            continue
        spec = _spec(index, job, i, laws[i])
        if work.state == "lying":
            fixed = MinutesSpec(np.zeros(PROBS.size))
            spec = _with(spec, unattended=fixed, ready_at=work.started + HOLD - now)
        elif work.state == "attended":
            passed = float(shop.calendar.work(now) - shop.calendar.work(work.started))
            begun = _elapsed(spec.hands_on, passed)
            spec = _with(spec, hands_on=begun, running=RunningSpec(work.team, work.machine))
        elif work.state == "alone":
            passed = now - work.alone_from
            if next(m for m in shop.spec.machines if m.key == work.machine).alone != "always":
                passed = float(shop.calendar.work(now) - shop.calendar.work(work.alone_from))
            begun = _elapsed(spec.unattended, passed)
            spec = _with(spec, hands_on=None, unattended=begun, running=RunningSpec((), work.machine))
        left.append(spec)
    done = {_key(job, i) for i, work in enumerate(works) if work.state == "done"}
    return left, [arrow for arrow in _arrows(job) if arrow[0] not in done]


def _with(spec: StageSpec, **facts: object) -> StageSpec:
    return StageSpec(**{**spec.__dict__, **facts})


def _elapsed(minutes: MinutesSpec | None, passed: float) -> MinutesSpec:
    assert minutes is not None
    return MinutesSpec(minutes.quantiles, max(passed, 0.0), minutes.shared)


def _spec(index: int, job: YearJob, i: int, parts: Parts) -> StageSpec:
    kind = KINDS[job.stages[i].kind]
    minutes = {part: MinutesSpec(law.minutes, 0.0, law.kind_share) for part, law in parts.items()}
    if kind.key == "outgas":
        minutes = {"unattended": MinutesSpec(np.full(PROBS.size, HOLD))}
    return StageSpec(
        key=_key(job, i),
        job=index,
        kind=job.stages[i].kind,
        name=f"{kind.key} of {job.number}",
        machine_kind=kind.machine,
        skill=kind.skill,
        people=kind.people,
        hands_on=minutes.get(PARTS[0]),
        unattended=minutes.get(PARTS[1]),
    )


def _key(job: YearJob, i: int) -> int:
    return (job.number + 1000) * 100 + i


def _arrows(job: YearJob) -> list[Arrow]:
    return [
        (_key(job, b), _key(job, i), kind, 0.0)
        for i, stage in enumerate(job.stages)
        for b, kind in stage.before
    ]
