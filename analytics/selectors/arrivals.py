"""The work that is likely to come in later, from what came in during the last months.

A date that allows for no later work is too early: what comes in tomorrow with a nearer date goes first. So in every
future jobs like the shop's own of late come in, as often as they did, each with as long a lead to its date as it had.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
from django.db.models import Min, Q

from analytics.engine.hours import Calendar, NeverOpen, to_minutes, weekly
from analytics.engine.later import Later, LaterJob
from analytics.engine.plan import CannotPlan, ShopSpec, StageSpec, plan
from analytics.engine.work import OpenWork
from analytics.selectors.left import Moment, arrow_of, left_of_job
from analytics.selectors.models import Learned
from analytics.selectors.open_jobs import OpenJob, read_jobs
from jobs.models import Job, JobStatus, StageState
from shop.models import Shop
from shop.selectors import closed_days, opening_hours

DAYS = 90
"""How far back it is looked."""

FEWEST = 10
"""Jobs from which on a shop's past says how work comes in."""

TEMPLATES = 40
"""Jobs of the past that may come again; more would be much the same."""

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, eq=False)
class LaterWork:
    """What is assumed of work to come.

    later: None: none is assumed, for the reason in `why`: 'off', 'few' or 'closed'. jobs: how many came in during
    `days`; per_week: as many in a week of the shop's hours. leads: minutes from coming in to the date, rising.
    """

    later: Later | None
    jobs: int
    days: int
    per_week: float = 0.0
    leads: tuple[float, ...] = ()
    why: str = ""

    @property
    def shortest(self) -> float:
        """Minutes: only one lead in twenty is shorter."""
        return float(np.quantile(self.leads, 0.05)) if self.leads else 0.0


@dataclass(frozen=True)
class Came:
    """A job of the past: its key, when it came in, and the minutes from then to its date."""

    key: int
    at: datetime
    lead: float


_kept: dict[int, tuple[object, LaterWork]] = {}


def later_work(shop: Shop, now: datetime, known: Learned, spec: ShopSpec) -> LaterWork:
    """What is assumed of work to come at `now` (aware). A process keeps it for the day, or until the shop learns.

    spec: the shop's people and machines, on which the jobs to come are made.
    """
    if not shop.expects_arrivals:
        return LaterWork(None, 0, DAYS, why="off")
    today = shop.local(now).date()
    machines = tuple(replace(one, loaded=None, hot_until=0.0) for one in spec.machines)
    name = (shop.created_at, today, known.states, spec.people, machines, spec.hours)
    kept = _kept.get(shop.pk)
    if kept is None or kept[0] != name:
        if len(_kept) > 8:
            _kept.clear()
        kept = _kept[shop.pk] = (name, _looked_up(shop, today, known, spec))
    return kept[1]


def with_later(shop: Shop, work: OpenWork, known: Learned) -> OpenWork:
    """The open work with what may come in before the last of its dates: what comes later takes its turn behind."""
    assumed = later_work(shop, work.origin, known, work.spec)
    until = max((job.due for job in work.jobs if job.due is not None), default=0.0) - assumed.shortest
    if assumed.later is None or until <= 0.0:
        return work
    return replace(work, later=replace(assumed.later, until=until))


def jobs_that_came(shop: Shop, start: datetime, end: datetime) -> list[Came]:
    """The jobs that came in between two instants, by when they did.

    A job came in when it was first promised; one of an imported log, which has no promise, when it was begun. Its
    lead is to its first date; without one as long as the shop's jobs usually took from their beginning.
    """
    kept = Q(promises__withdrawn_at=None)
    jobs = Job.objects.of(shop).filter(status__in=(JobStatus.PROMISED, JobStatus.IN_HAND, JobStatus.FINISHED))
    rows = jobs.annotate(
        given=Min("promises__made_at", filter=kept), first=Min("promises__promised_at", filter=kept)
    ).values_list("pk", "created_at", "started_at", "finished_at", "due_at", "given", "first")
    took = [(done - begun) / MINUTE for _, _, begun, done, *_ in rows if begun and done]
    usual = float(np.median(took)) if took else None
    came = []
    for key, made, begun, _, due, given, first in rows:
        at = given or min(made, begun or made)
        if not start <= at < end:
            continue
        date_given = first or due
        lead = usual if date_given is None or date_given <= at else (date_given - at) / MINUTE
        if lead is not None:
            came.append(Came(key, at, lead))
    return sorted(came, key=lambda one: (one.at, one.key))


def _looked_up(shop: Shop, today: date, known: Learned, spec: ShopSpec) -> LaterWork:
    end = datetime.combine(today, time(), shop.zone).astimezone(UTC)
    came = jobs_that_came(shop, end - timedelta(days=DAYS), end)
    if len(came) < FEWEST:
        return LaterWork(None, len(came), DAYS, why="few")
    # A shop younger than that is looked at from its first job on, and that one does not count: it set the clock.
    days = min(DAYS, -(-(end - came[0].at) // timedelta(days=1)))
    begin = end - timedelta(days=days)
    hours = _open_hours(shop, begin, days)
    open_min = float(hours.work(days * 1440.0) - hours.work(0.0)) if hours is not None else 0.0
    templates = _templates(shop, _spread_out(came), known, spec)
    if hours is None or open_min <= 0.0 or not templates:
        return LaterWork(None, len(came), days, why="closed")
    count = len(came) - (days < DAYS)
    later = Later(templates, open_min / count, 0.0, _spread(came, begin, hours, days))
    week = open_min / max(days / 7.0, 1e-9)
    return LaterWork(later, len(came), days, week / later.gap, tuple(sorted(one.lead for one in came)))


def _open_hours(shop: Shop, begin: datetime, days: int) -> Calendar | None:
    first = shop.local(begin).date()
    closed = closed_days(shop, first, first + timedelta(days=days + 1))
    try:
        return weekly(begin, shop.time_zone, opening_hours(shop), days + 1, closed)
    except NeverOpen:
        return None


def _spread(came: Sequence[Came], begin: datetime, hours: Calendar, days: int) -> float:
    """Relative standard deviation of the rate beyond chance: it was seen on so many jobs, and weeks differ.

    What a week's count varies by beyond chance (its variance less its mean, over the mean squared) counts for half,
    as a date lies about two weeks ahead.
    """
    weeks = days // 7
    counts = Counter(int(to_minutes(begin, one.at) // 10080) for one in came)
    some = [counts[i] for i in range(weeks) if hours.work((i + 1) * 10080.0) > hours.work(i * 10080.0)]
    more = 0.0
    if len(some) >= 4:
        mean = float(np.mean(some))
        more = max(0.0, float(np.var(some, ddof=1)) - mean) / mean**2 if mean > 0 else 0.0
    return float(np.sqrt(1.0 / len(came) + more / 2.0))


def _spread_out(came: Sequence[Came]) -> list[Came]:
    """At most TEMPLATES of them, evenly from all the time."""
    if len(came) <= TEMPLATES:
        return list(came)
    return [came[(2 * i + 1) * len(came) // (2 * TEMPLATES)] for i in range(TEMPLATES)]


def _templates(shop: Shop, came: Sequence[Came], known: Learned, spec: ShopSpec) -> tuple[LaterJob, ...]:
    """Those of them that can be made now, with nothing of them done."""
    leads = {one.key: one.lead for one in came}
    jobs = [_as_new(one) for one in read_jobs(shop, Job.objects.of(shop).filter(pk__in=leads), {})]
    at = Moment(spec.origin, {}, (known, known), spec)
    found = []
    for one in jobs:
        stages, links = left_of_job(one, 0, at)
        arrows = tuple(arrow_of(link) for link in links)
        if stages and _can_be_made(spec, tuple(stages)):
            found.append(LaterJob(tuple(stages), arrows, leads[one.job.pk]))
    return tuple(found)


def _as_new(one: OpenJob) -> OpenJob:
    """The job as it was when it came in. The rows are only held in memory."""
    for stage in one.stages:
        stage.state, stage.started_at, stage.finished_at, stage.pinned_at = (
            StageState.WAITING,
            None,
            None,
            None,
        )
    one.job.ready_from = one.job.film_from = None
    return replace(one, visits=())


def _can_be_made(spec: ShopSpec, stages: tuple[StageSpec, ...]) -> bool:
    """Whether the shop has the machines and the skills; when it is open does not matter."""
    every_day = {day: [(time(), time(23, 59))] for day in range(7)}
    people = tuple(replace(person, absent=frozenset()) for person in spec.people)
    try:
        plan(replace(spec, hours=every_day, closed=frozenset(), people=people), stages, 2)
    except CannotPlan:
        return False
    return True
