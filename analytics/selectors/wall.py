"""What the board on the wall shows: what runs and until when, which dates are at risk, which machines are idle."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from django.db.models import prefetch_related_objects

from analytics.engine.book import finishes
from analytics.engine.ending import Left, end_of, left_of
from analytics.engine.forecast import Forecast
from analytics.engine.hours import ALWAYS, Calendar, NeverOpen, to_instant, weekly
from analytics.engine.risk import at_risk, safe_again
from analytics.engine.totals import total
from analytics.selectors.arrivals import with_later
from analytics.selectors.backlog import Clocked, clocked, open_work, stage_forecasts
from analytics.selectors.models import Learned, learned_stages
from analytics.selectors.outlooks import jobs_slipping, outlooks_now, standing_promises
from analytics.selectors.refusals import REFUSALS, refusal_said
from jobs.models import Job, JobStatus
from jobs.selectors.floor import Watch, watches
from jobs.selectors.jobs import JobRow, with_stages
from shop.models import Machine, Shop, Unattended
from shop.selectors import closed_days, opening_hours

RUNS = 400
"""Futures for the odds of the dates: an odd of 0.8 is within 0.04 of that, twice in three times (binomial)."""

SEED = 1
DAYS_AHEAD = 21
MOST = 24
"""Rows of the list of what is next due; the page shows as many of any list as fit, and says how many more there are."""

TOGETHER = np.array([[1.0, 0.2], [0.2, 1.0]])
"""How the hands-on minutes of a stage and its machine's go together, as in the promise."""


@dataclass(frozen=True)
class Run:
    """A stage that runs. ends: when it is done half of the time, and eight times in ten; None: that is not known."""

    watch: Watch
    colour: int
    ends: tuple[datetime, datetime] | None
    is_long: bool
    is_default: bool

    @property
    def is_set(self) -> bool:
        """Whether it is a hold whose length is set, so that its end is known."""
        return self.watch.stage.kind.is_hold and self.watch.stage.hold_min is not None


@dataclass(frozen=True)
class MachineNow:
    """A machine and the stages that it is on."""

    machine: Machine
    watches: Sequence[Watch]

    @property
    def is_crowded(self) -> bool:
        """Whether it is clocked on more than it takes."""
        return len(self.watches) > self.machine.capacity


@dataclass(frozen=True)
class DueJob:
    """An open job with a date. chance: of being in time; None where that cannot be said. slips: so the watch says."""

    row: JobRow
    chance: float | None
    confidence: float
    slips: bool = False

    @property
    def is_at_risk(self) -> bool:
        """Whether it is overdue, or its date is at risk."""
        if self.chance is None or self.row.is_late:
            return self.row.is_late
        still = self.slips and not safe_again(self.chance, self.confidence)
        return still or at_risk(self.chance, self.confidence, RUNS)

    @property
    def odds(self) -> str:
        """The chance in words; empty where it cannot be said."""
        tenths = self.in_ten
        if tenths is None:
            return ""
        return {0: "hardly ever in time", 10: "nearly always in time"}.get(tenths, f"in time {tenths} in 10")

    @property
    def in_ten(self) -> int | None:
        """In how many of ten futures it is in time."""
        return None if self.chance is None else round(self.chance * 10)


@dataclass(frozen=True)
class Wall:
    """All that the board shows at an instant."""

    at: datetime
    running: Sequence[Run]
    resting: Sequence[Watch]
    at_risk: Sequence[DueJob]
    due: Sequence[DueJob]
    machines: Sequence[MachineNow]
    no_odds: str

    @property
    def idle(self) -> int:
        """How many machines run nothing."""
        return sum(not one.watches for one in self.machines)


def wall(shop: Shop, now: datetime, odds: Mapping[int, float] | None = None, no_odds: str = "") -> Wall:
    """The board at `now` (aware). odds: job's key to its chance of being in time, from `due_odds`."""
    begun = watches(shop)
    dated = _dated(shop, now, odds or {})
    return Wall(
        now,
        _runs(shop, now, [one for one in begun if one.stage.state == "running"]),
        [one for one in begun if one.stage.state == "paused"],
        [one for one in dated if one.is_at_risk],
        [one for one in dated if not one.is_at_risk][:MOST],
        _machines(shop, begun),
        no_odds,
    )


def due_odds(shop: Shop, now: datetime) -> tuple[dict[int, float], str]:
    """Each open dated job's chance of being in time by its key; and, where nothing can be said, why.

    What the watch worked out is taken where it is of the shop as it stands now.
    """
    jobs = dict(
        Job.objects.of(shop)
        .filter(status__in=(JobStatus.IN_HAND, JobStatus.PROMISED), due_at__isnull=False)
        .values_list("number", "pk")
    )
    if not jobs:
        return {}, ""
    kept = outlooks_now(shop, now)
    if kept:
        return {job: row.chance for job, row in kept.items() if row.chance is not None}, ""
    try:
        known = learned_stages(shop)
        work = with_later(shop, open_work(shop, None, now, known), known)
        book = work.book()
        done = finishes(book, runs=RUNS, seed=SEED)
    except REFUSALS as why:
        return {}, refusal_said(why)
    odds = {}
    for i, job in enumerate(book.jobs):
        if job.due is not None and job.number in jobs:
            odds[jobs[job.number]] = float(np.mean(done[:, i] <= job.due))
    return odds, "" if odds else " ".join(one.why for one in work.left_out)


def _runs(shop: Shop, now: datetime, running: Sequence[Watch]) -> list[Run]:
    if not running:
        return []
    known, calendar, past = learned_stages(shop), _open_hours(shop, now), clocked(shop, now)
    prefetch_related_objects([one.stage for one in running], "kind__ignores")
    jobs = Job.objects.of(shop).filter(pk__in={one.stage.job_id for one in running})
    by_key = {job.pk: job for job in jobs.select_related("job_type").prefetch_related("items")}
    return [
        _run(watch, by_key[watch.stage.job_id], past.get(watch.stage.pk), known, calendar, now)
        for watch in running
    ]


def _run(
    watch: Watch, job: Job, past: Clocked | None, known: Learned, calendar: Calendar, now: datetime
) -> Run:
    kind = watch.stage.kind
    if kind.is_hold and watch.stage.hold_min is not None:
        return Run(watch, kind.position % 8, _hold_ends(watch), is_long=False, is_default=False)
    law, left = _left(watch, job, past, known)
    machine = watch.machine if watch.alone else None
    alone = kind.is_hold or (machine is not None and machine.unattended == Unattended.ALWAYS)
    ends = tuple(to_instant(now, end_of(calendar, minutes, always=alone)) for minutes in (left.p50, left.p80))
    return Run(watch, kind.position % 8, (ends[0], ends[1]), left.is_long, law.is_default)


def _left(watch: Watch, job: Job, past: Clocked | None, known: Learned) -> tuple[Forecast, Left]:
    """The law of what the stage is at now, and what is left of it."""
    machine = watch.machine.name if watch.machine else ""
    laws = {one.part: one.forecast for one in stage_forecasts(job, watch.stage, known, machine)}
    hands_on, unattended = (past.hands_on, past.unattended) if past else (0.0, 0.0)
    if watch.alone and "unattended" in laws:
        return laws["unattended"], left_of(laws["unattended"], unattended)
    parts = [law for law in laws.values() if law.minutes[-1] > 0.0]
    law = total(parts, TOGETHER[: len(parts), : len(parts)], np.random.default_rng(0))
    return law, left_of(law, hands_on + unattended)


def _hold_ends(watch: Watch) -> tuple[datetime, datetime] | None:
    if watch.stage.hold_min is None or watch.since is None:
        return None
    end = watch.since + timedelta(minutes=watch.stage.hold_min) - timedelta(seconds=watch.base_seconds)
    return end, end


def _open_hours(shop: Shop, now: datetime) -> Calendar:
    """The shop's hours from now on; always open where it has none."""
    today = shop.local(now).date()
    closed = closed_days(shop, today, today + timedelta(days=DAYS_AHEAD))
    try:
        return weekly(now, shop.time_zone, opening_hours(shop), DAYS_AHEAD, closed)
    except NeverOpen:
        return ALWAYS


def _dated(shop: Shop, now: datetime, odds: Mapping[int, float]) -> list[DueJob]:
    """The promised and begun jobs that have a date, the earliest first."""
    jobs = Job.objects.of(shop).filter(
        status__in=(JobStatus.IN_HAND, JobStatus.PROMISED), due_at__isnull=False
    )
    given = {job: promise.confidence for job, promise in standing_promises(shop).items()}
    slipping = jobs_slipping(shop)
    return [
        DueJob(JobRow(job, now), odds.get(job.pk), given.get(job.pk, shop.confidence), job.pk in slipping)
        for job in with_stages(jobs.order_by("due_at", "number"))[: 2 * MOST]
    ]


def _machines(shop: Shop, begun: Sequence[Watch]) -> list[MachineNow]:
    on: dict[int, list[Watch]] = defaultdict(list)
    for watch in begun:
        if watch.machine is not None:
            on[watch.machine.pk].append(watch)
    machines = Machine.objects.of(shop).filter(active=True)
    return [MachineNow(machine, on[machine.pk]) for machine in machines]
