"""The days ahead: who and what is at which stage when, how likely, and how late each stage may begin."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import Book, draws, look, turn_of
from analytics.engine.hours import Calendar, to_instant
from analytics.engine.lanes import First, Stay, first_on, gaps, quantile, stays_of, stays_on
from analytics.engine.latest_start import course_of, latest_starts, safe_start
from analytics.engine.parts import ATTENDED_TO_START, Edge
from analytics.engine.risk import at_risk, safe_again
from analytics.engine.work import LeftOut, OpenWork
from analytics.models import Promise
from analytics.selectors.arrivals import with_later
from analytics.selectors.backlog import OPEN, open_work
from analytics.selectors.models import learned_stages
from analytics.selectors.outlooks import jobs_slipping
from analytics.selectors.refusals import REFUSALS, refusal_said
from jobs.models import Job, Stage
from shop.errors import BadInput
from shop.models import Shop

Floats = NDArray[np.float64]

RUNS, FEWEST = 800, 200
"""Futures: a chance of 0.8 is within 0.03 of that nineteen times in twenty (binomial)."""

ROOM = 400_000
"""Futures times stages at most, so that a large backlog is looked at in fewer futures rather than slowly."""

SEED = 1
THREADS = 2
LEVELS = (0.1, 0.5, 0.9)
REACH_DAYS = 60
"""How far absences are looked up for the picture."""


@dataclass(frozen=True)
class Spread:
    """An instant that is not certain: one time in ten it is before `low`, half the time before `middle`, ..."""

    low: datetime
    middle: datetime
    high: datetime


@dataclass(frozen=True)
class JobAhead:
    """An open job. place: in the queue, from 1. level: how often its date is to be kept; chance: how often it is.

    stuck: why it cannot be done to the end; then its finish is that of what can be done. runs: futures that the chance
    is of. slips: whether the watch has it among the dates that slip.
    """

    job: Job
    place: int
    level: float
    chance: float | None
    finish: Spread
    overdue: bool = False
    stuck: str = ""
    runs: int = RUNS
    slips: bool = False

    @property
    def state(self) -> str:
        """How it stands.

        'stuck' where it cannot be done, 'none' without a date, 'over' past it; 'risk' where it is at risk, and 'late'
        where it is more likely late than in time; else 'safe'.
        """
        if self.stuck:
            return "stuck"
        if self.chance is None:
            return "none"
        if self.overdue:
            return "over"
        still = self.slips and not safe_again(self.chance, self.level)
        if not still and not at_risk(self.chance, self.level, self.runs):
            return "safe"
        return "risk" if self.chance >= 0.5 else "late"


@dataclass(frozen=True, eq=False)
class StageAhead:
    """A stage still to be done. safe: how late it may begin; None where its job has no date, or it has begun.

    too_late: no start from now on keeps the date as often as promised. safe_share: of the futures that begin it in
    time. waits_for: names of the stages before it that are still open. since: when it was ready, where that is past.
    begun: running, paused or put aside; runs: somebody or something is at it now.
    """

    stage: Stage
    job: JobAhead
    code: str
    start: Spread
    end: Spread
    begun: bool
    runs: bool
    hold: bool
    safe: datetime | None
    too_late: bool
    safe_share: float | None
    waits_for: tuple[str, ...]
    since: datetime | None

    @property
    def colour(self) -> int:
        """Of the stage palette."""
        return self.stage.kind.position % 8

    @property
    def at_risk(self) -> bool:
        """Whether its date is less sure than agreed, and it begins too late for that more often than not."""
        unsure = self.job.state in ("risk", "late", "over")
        return unsure and (self.too_late or (self.safe_share is not None and self.safe_share < 0.5))


@dataclass(frozen=True, eq=False)
class OnLane:
    """A stage on a machine or with a person."""

    stage: StageAhead
    stay: Stay
    start: Spread
    end: Spread


@dataclass(frozen=True)
class Next:
    """What is begun first: in which share of the futures, and then when, half of the time."""

    stage: StageAhead
    share: float
    at: datetime


@dataclass(frozen=True, eq=False)
class Lane:
    """A machine, a person, or what lies. away: when it is not there though the shop is open, minutes from now."""

    key: str
    name: str
    sort: str
    stages: tuple[OnLane, ...]
    next: tuple[Next, ...]
    away: tuple[tuple[float, float], ...] = ()

    @property
    def now_at(self) -> list[StageAhead]:
        """What it is at now."""
        return [one.stage for one in self.stages if one.stage.runs]


@dataclass(frozen=True, eq=False)
class Ahead:
    """All of it at an instant. stages: by key; hours: the shop's, minutes from `at`; minutes: the shared draws."""

    at: datetime
    revision: int
    work: OpenWork
    minutes: Floats
    lanes: tuple[Lane, ...]
    jobs: tuple[JobAhead, ...]
    stages: Mapping[int, StageAhead]
    hours: Calendar
    runs: int
    left_out: tuple[LeftOut, ...] = ()

    def instant(self, minutes: float) -> datetime:
        """The instant so many minutes from `at`."""
        return to_instant(self.at, minutes)


_kept: dict[tuple[int, datetime], Ahead] = {}


def ahead_kept(shop: Shop, now: datetime) -> Ahead | None:
    """The same as `ahead`, from what this process kept if nothing has changed since, within the minute."""
    key = (shop.pk, shop.created_at)
    kept = _kept.get(key)
    if kept is not None and (kept.revision, kept.at) == (shop.revision, now):
        return kept
    found = ahead(shop, now)
    if found is not None:
        if len(_kept) >= 4:  # a few shops at most: each holds its draws
            _kept.clear()
        _kept[key] = found
    return found


def ahead(shop: Shop, now: datetime) -> Ahead | None:
    """The days from `now` (aware) on; None where nothing is open.

    Raises BadInput where it cannot be worked out, with what to do.
    """
    rows = stage_rows(shop)
    try:
        known = learned_stages(shop)
        work = with_later(shop, open_work(shop, None, now, known), known)
        if not work.stages and work.left_out:
            raise BadInput(" ".join(one.why for one in work.left_out))
        if not work.stages:
            return None
        return _Looked(shop, work, rows).ahead()
    except REFUSALS as wrong:
        raise BadInput(refusal_said(wrong)) from wrong


def stage_rows(shop: Shop) -> dict[int, Stage]:
    """The stages of the open jobs, by key."""
    rows = Stage.objects.of(shop).filter(job__status__in=OPEN)
    return {row.pk: row for row in rows.select_related("kind", "job__customer", "job__job_type")}


def levels_of(shop: Shop) -> dict[int, float]:
    """How often each open job's date is to be kept, by job key, where a promise says so."""
    given = Promise.objects.of(shop).filter(job__status__in=OPEN, withdrawn_at=None).order_by("made_at", "pk")
    return dict(given.values_list("job_id", "confidence"))


def runs_for(stages: int) -> int:
    """In how many futures so many stages are looked at."""
    return max(FEWEST, min(RUNS, ROOM // max(stages, 1)))


def chances(book: Book, finish: Floats) -> list[float | None]:
    """The share of futures in which each job's date is kept; None without a date. finish: shape (runs, jobs)."""
    return [
        None if job.due is None else float(np.mean(finish[:, i] <= job.due))
        for i, job in enumerate(book.jobs)
    ]


class _Looked:
    """The open work, its futures, and what they say."""

    def __init__(self, shop: Shop, work: OpenWork, rows: Mapping[int, Stage]) -> None:
        self.shop, self.work, self.rows = shop, work, rows
        self.book = work.book()
        self.runs = runs_for(len(work.stages))
        self.minutes = draws(self.book, runs=self.runs, seed=SEED)
        seen = look(self.book, self.minutes, trace=True, threads=THREADS)
        self.finish = seen.finish
        self.course = course_of(seen)
        self.begun = np.array([operation.running is not None for operation in self.book.plan.operations])
        self.codes = codes_of([row.kind.name for row in rows.values()])

    def ahead(self) -> Ahead:
        jobs = self._jobs()
        stages = self._stages(jobs)
        return Ahead(
            left_out=self.work.left_out,
            at=self.work.origin,
            revision=self.shop.revision,
            work=self.work,
            minutes=self.minutes,
            lanes=tuple(self._lanes(stages)),
            jobs=tuple(sorted(jobs, key=lambda job: job.place)),
            stages={one.stage.pk: one for one in stages},
            hours=self.book.plan.shop.calendars[0],
            runs=self.runs,
        )

    def _at(self, minutes: float) -> datetime:
        return to_instant(self.work.origin, float(minutes))

    def _spread(self, three: Sequence[float]) -> Spread:
        return Spread(*(self._at(minutes) for minutes in three))

    def _jobs(self) -> list[JobAhead]:
        models = {job.number: job for job in (row.job for row in self.rows.values())}
        levels, kept = levels_of(self.shop), chances(self.book, self.finish)
        order = sorted(range(len(self.book.jobs)), key=lambda i: (turn_of(self.book.jobs[i]), i))
        place = {i: n for n, i in enumerate(order, 1)}
        spreads = np.quantile(self.finish, LEVELS, axis=0, method="inverted_cdf").T.tolist()
        stuck = {one.job: one.why for one in self.work.left_out}
        slipping = jobs_slipping(self.shop)
        found = []
        for i, booked in enumerate(self.book.jobs):
            job = models.get(booked.number) or Job.objects.of(self.shop).get(number=booked.number)
            level = levels.get(job.pk, self.shop.confidence)
            over = booked.due is not None and booked.due < 0
            spread = self._spread(spreads[i])
            why, slips = stuck.get(i, ""), job.pk in slipping
            found.append(JobAhead(job, place[i], level, kept[i], spread, over, why, self.runs, slips))
        return found

    def _stages(self, jobs: Sequence[JobAhead]) -> list[StageAhead]:
        dues = {i: booked.due for i, booked in enumerate(self.book.jobs) if booked.due is not None}
        latest = latest_starts(self.book, self.course, dues)
        three = np.quantile(self.course.trace, LEVELS, axis=0, method="inverted_cdf")
        open_before: dict[int, list[str]] = defaultdict(list)
        behind = {edge.after for edge in self.book.edges}
        for edge in self.book.edges:
            if not self._let_go(edge):
                open_before[edge.after].append(self.rows[self.work.stages[edge.before].key].name)
        found = []
        for i, spec in enumerate(self.work.stages):
            operation, job = self.book.plan.operations[i], jobs[spec.job]
            begun = bool(self.begun[i]) or self.rows[spec.key].started_at is not None
            safe = -np.inf
            if i in latest and not begun:
                safe = safe_start(latest[i], job.level)
            told = i in latest and not begun
            found.append(
                StageAhead(
                    stage=self.rows[spec.key],
                    job=job,
                    code=self.codes[self.rows[spec.key].kind.name],
                    start=self._spread(three[:, i, 0].tolist()),
                    end=self._spread(three[:, i, 2].tolist()),
                    begun=begun,
                    runs=bool(self.begun[i]),
                    hold=self.book.plan.needs[operation.need].is_hold,
                    safe=self._at(safe) if told and safe >= 0 else None,
                    too_late=told and safe < 0,
                    safe_share=float(np.mean(self.course.trace[:, i, 0] <= safe)) if told else None,
                    waits_for=tuple(dict.fromkeys(open_before[i])),
                    since=self._since(i, job.job, i in behind),
                )
            )
        return found

    def _let_go(self, edge: Edge) -> bool:
        """Whether what comes after need wait no more: nobody is needed at what comes before, it runs on alone."""
        running = self.work.stages[edge.before].running
        return edge.kind == ATTENDED_TO_START and running is not None and not running.people

    def _since(self, i: int, job: Job, waits: bool) -> datetime | None:
        """Since when a stage could have been begun; None where it cannot be yet."""
        ready = self.work.stages[i].ready_at
        if waits or ready > 0 or self.begun[i]:
            return None
        return self._at(ready) if ready < 0 else job.ready_from or job.created_at

    def _lanes(self, stages: Sequence[StageAhead]) -> list[Lane]:
        units = self.book.plan.shop.units
        lanes = []
        for person in self.work.spec.people:
            unit = self.book.plan.people[person.key]
            calendar = self.book.plan.shop.calendars[units[unit].calendar]
            lanes.append(self._lane(f"p{person.key}", person.name, "person", 1 << unit, stages, calendar))
        for machine in self.work.spec.machines:
            bits = sum(1 << unit for unit in self.book.plan.machines[machine.key])
            lanes.append(self._lane(f"m{machine.key}", machine.name, "machine", bits, stages, None))
        lying = [i for i, one in enumerate(stages) if one.hold]
        stays = stays_of(self.course, lying) if lying else []
        if stays:
            on = tuple(self._on(stay, stages) for stay in stays)
            lanes.append(Lane("lying", "Lying or waiting", "lying", on, ()))
        return lanes

    def _lane(
        self, key: str, name: str, sort: str, bits: int, stages: Sequence[StageAhead], hours: Calendar | None
    ) -> Lane:
        stays = stays_on(self.course, bits, attended=sort == "person")
        firsts = first_on(self.course, bits, self.begun)
        away = []
        if hours is not None and hours is not self.book.plan.shop.calendars[0]:
            away = gaps(hours, 0.0, REACH_DAYS * 1440.0)
        return Lane(
            key,
            name,
            sort,
            tuple(self._on(stay, stages) for stay in stays),
            tuple(self._next(first, stages) for first in firsts),
            tuple(away),
        )

    def _on(self, stay: Stay, stages: Sequence[StageAhead]) -> OnLane:
        start, end = (
            self._spread([quantile(of, level) for level in LEVELS]) for of in (stay.starts, stay.ends)
        )
        return OnLane(stages[stay.operation], stay, start, end)

    def _next(self, first: First, stages: Sequence[StageAhead]) -> Next:
        return Next(stages[first.operation], first.share, self._at(first.at))


def codes_of(names: Sequence[str]) -> dict[str, str]:
    """A short sign for each name: its initial, and as many more of its letters as tell it from those before it."""
    codes: dict[str, str] = {}
    for name in sorted(set(names)):
        letters = "".join(sign for sign in name if sign.isalnum()) or "?"
        tries = [letters[:1].upper(), *(letters[0].upper() + sign for sign in letters[1:].lower())]
        taken = set(codes.values())
        codes[name] = next((code for code in tries if code not in taken), f"{letters[0].upper()}{len(taken)}")
    return codes
