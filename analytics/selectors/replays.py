"""A shop's past as it can be played again: which jobs came when, what was clocked of them, and the shop as it is now.

Left out are jobs that were cancelled, and the times at which customers could be visited: another shop would have agreed
on others.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import TypeVar

import numpy as np
from django.db.models import F, Min, Prefetch, Q, QuerySet
from django.db.models.functions import Coalesce, Least

from analytics.engine.book import BookedJob
from analytics.engine.forecast import PROBS
from analytics.engine.hours import to_minutes
from analytics.engine.network import EdgeKind
from analytics.engine.plan import MinutesSpec, ShopSpec, StageSpec, able_machines
from analytics.engine.replay import Past
from analytics.engine.shop_changes import ShopChange, ShorterHolds, SwapProcess, changed_shop
from analytics.engine.work import Arrow, OpenWork
from analytics.models import Sample
from analytics.selectors.left import Moment, left_of_job
from analytics.selectors.models import Learned, learned_stages
from analytics.selectors.open_jobs import OpenJob
from analytics.selectors.premises import DAYS, PRINTERS, shop_spec
from jobs.models import Job, JobStatus, Stage, StageState
from jobs.services.stages import needed_rules, stage_as
from shop.models import InkBuild, MachineKind, Process, Shop

QUARTER = 90
"""Days that are played again where nothing else is asked for."""

WARM_UP = timedelta(days=14)
"""Played before the first day, so that the shop is as full as it was; jobs that came in it are not scored."""

FEWEST = 10
"""Jobs below which a quarter says nothing."""

DONE = (JobStatus.PROMISED, JobStatus.IN_HAND, JobStatus.FINISHED)

Row = TypeVar("Row", Job, Stage)

Clean = Mapping[int, tuple[float, float]]
"""A stage's clean minutes by its key: with somebody at it, and with the machine alone."""


@dataclass(frozen=True, eq=False)
class PastShop:
    """A past with all that playing it again needs. starts, ends: between which jobs that come in are scored.

    arrived: when each job came in. spec: the shop of today from `origin` on. rules: when a job type takes a stage in.
    """

    shop: Shop
    origin: datetime
    starts: datetime
    ends: datetime
    jobs: Sequence[Job]
    arrived: Sequence[datetime]
    clean: Clean
    spec: ShopSpec
    known: Learned
    processes: Mapping[int, Process]
    rules: Mapping[int, Mapping[tuple[int, str], str]]

    @property
    def span(self) -> tuple[float, float]:
        """What is scored, minutes since the origin."""
        return to_minutes(self.origin, self.starts), to_minutes(self.origin, self.ends)

    def past(self) -> Past:
        """When the jobs came, were due and were finished."""
        arrived = self._minutes(self.arrived)
        first, last = self.span
        return Past(
            arrived,
            self._minutes(job.due_at for job in self.jobs),
            self._minutes(job.finished_at for job in self.jobs),
            (arrived >= first) & (arrived < last),
            np.array([_week(self.shop.local(at)) for at in self.arrived], np.int64),
        )

    def work(self, changes: Sequence[ShopChange] = ()) -> OpenWork:
        """The work of the past as it came in, in the shop with these changes."""
        at = Moment(self.origin, {}, (self.known, self.known), changed_shop(self.spec, changes))
        most = min((c.most_min for c in changes if isinstance(c, ShorterHolds)), default=None)
        stages: list[StageSpec] = []
        arrows: list[Arrow] = []
        for index, job in enumerate(self.jobs):
            process = self._made_by(job, changes)
            one = self._as_it_came(job, process)
            mine, links = left_of_job(one, index, at)
            stages += [
                self._stage(one.kept[spec.key], spec, index, process is not None, most) for spec in mine
            ]
            arrows += [(k.before_id, k.after_id, _moment(k.kind), float(k.lag_min)) for k in links]
        return OpenWork(self.origin, at.spec, self._booked(), tuple(stages), tuple(arrows), -1, DAYS)

    def pools(self) -> dict[int, str]:
        """In front of what a stage waits, by its key: the kind of machine that it needs, or the skill."""
        return {
            stage.pk: _pool(stage)
            for job in self.jobs
            for stage in job.stages.all()
            if not stage.kind.is_hold
        }

    def made_otherwise(self, changes: Sequence[ShopChange]) -> int:
        """How many of the scored jobs another process makes."""
        scored = self.past().scored
        return sum(
            self._made_by(job, changes) is not None for job, one in zip(self.jobs, scored, strict=True) if one
        )

    def _made_by(self, job: Job, changes: Sequence[ShopChange]) -> Process | None:
        """The process that makes the job in place of its own; None where none does, or where it would not do.

        It does not where the job type says so, nor without ink where ink is asked for.
        """
        after = [c.after for c in changes if isinstance(c, SwapProcess) and c.before == job.process_id]
        process = self.processes.get(after[0]) if after else None
        if process is None or process in job.job_type.unsuited.all():
            return None
        inked = any(item.ink_build != InkBuild.NONE for item in job.items.all())
        return process if process.prints or not inked else None

    def _booked(self) -> tuple[BookedJob, ...]:
        dues = [None if job.due_at is None else to_minutes(self.origin, job.due_at) for job in self.jobs]
        return tuple(BookedJob(job.number, str(job), due) for job, due in zip(self.jobs, dues, strict=True))

    def _minutes(self, instants: Iterable[datetime | None]) -> np.ndarray:
        return np.array([np.nan if at is None else to_minutes(self.origin, at) for at in instants], float)

    def _as_it_came(self, job: Job, process: Process | None) -> OpenJob:
        """A copy of the job as it stood at the origin, made by another process if one is given."""
        mine = _copied(job)
        stages = [_as_it_was(stage, self.origin) for stage in job.stages.all()]
        if process is not None:
            mine.process = process
            rules = self.rules[job.job_type_id]
            made = (process, job.finish), (job.process, job.finish)
            for stage in stages:
                needed = rules.get((stage.kind_id, stage.name), "")
                stage.left_out, stage.hold_min = stage_as(stage, needed, *made)
        edges = [edge for stage in job.stages.all() for edge in stage.out_edges.all()]
        ignores = {s.kind_id: frozenset(one.key for one in s.kind.ignores.all()) for s in stages}
        return OpenJob.made(mine, stages, edges, list(job.items.all()), (), ignores)

    def _stage(self, stage: Stage, spec: StageSpec, index: int, swapped: bool, most: int | None) -> StageSpec:
        """The stage not before its job came in, with what was clocked of it, or the cap on holds."""
        spec = replace(spec, ready_at=max(spec.ready_at, to_minutes(self.origin, self.arrived[index])))
        if stage.kind.is_hold and stage.hold_min is not None:
            if most is None or spec.unattended is None or spec.unattended.quantiles[0] <= most:
                return spec
            return replace(spec, unattended=_fixed(float(most)))
        clean = self.clean.get(stage.pk)
        if clean is None or (swapped and stage.kind.machine_kind in PRINTERS):
            return spec
        ran_alone = (
            any(m.alone != "no" for m in able_machines(self.spec, spec)) if spec.machine_kind else False
        )
        return _with_clean(spec, clean, ran_alone)


def past_shop(shop: Shop, starts_on: date, ends_on: date, now: datetime) -> PastShop:
    """The past between two local days, both included, as far as it has passed at `now`. A dozen queries."""
    starts, after = _midnight(shop, starts_on), _midnight(shop, ends_on + timedelta(days=1))
    ends = min(after, now)
    origin = starts - WARM_UP
    jobs = list(_jobs(shop, origin, ends))
    types = {job.job_type_id: job for job in jobs}
    clean = Sample.objects.of(shop).filter(used=True, stage__job__in=[job.pk for job in jobs])
    spec = shop_spec(shop, origin)
    machines = tuple(replace(machine, loaded=None, hot_until=0.0) for machine in spec.machines)
    return PastShop(
        shop,
        origin,
        starts,
        ends,
        jobs,
        [job.came for job in jobs],  # type: ignore[attr-defined]
        {
            pk: (hand, alone)
            for pk, hand, alone in clean.values_list("stage_id", "hands_on_min", "unattended_min")
        },
        replace(spec, machines=machines),
        learned_stages(shop),
        {process.pk: process for process in Process.objects.of(shop)},
        {key: needed_rules(job) for key, job in types.items()},
    )


def jobs_in(shop: Shop, starts_on: date, ends_on: date, now: datetime) -> int:
    """How many jobs came in between two local days, both included."""
    starts, ends = _midnight(shop, starts_on), min(_midnight(shop, ends_on + timedelta(days=1)), now)
    return _arriving(shop, ends, starts).count()


def unsuited_to(shop: Shop, process: int) -> str:
    """What the process of that key is not suited to; empty where nothing is said."""
    return Process.objects.of(shop).filter(pk=process).values_list("unsuited_to", flat=True).first() or ""


def _arriving(shop: Shop, before: datetime, since: datetime | None = None) -> QuerySet[Job]:
    """Jobs that became work, and when they `came`: with the first date given for them, or with the first tap."""
    jobs = Job.objects.of(shop).filter(status__in=DONE)
    asked = Coalesce(Min("promises__made_at"), F("created_at"))
    came = jobs.annotate(came=Least(asked, Coalesce(F("started_at"), asked))).filter(came__lt=before)
    return came if since is None else came.filter(came__gte=since)


def _jobs(shop: Shop, origin: datetime, ends: datetime) -> QuerySet[Job]:
    """The jobs that could have come in before the end and were not finished at the origin, with all that is read."""
    stages = Stage.objects.select_related("kind__skill").order_by("position", "pk")
    jobs = _arriving(shop, ends).filter(Q(finished_at=None) | Q(finished_at__gt=origin))
    return (
        jobs.select_related("job_type", "process", "finish")
        .prefetch_related(
            "items",
            "job_type__unsuited",
            Prefetch("stages", stages.prefetch_related("out_edges", "kind__ignores")),
        )
        .order_by("number")
    )


def _copied(row: Row) -> Row:
    """A copy that can be changed without the row itself: what it refers to is remembered apart."""
    mine = copy.copy(row)
    mine._state = copy.copy(row._state)
    mine._state.fields_cache = dict(row._state.fields_cache)
    return mine


def _as_it_was(stage: Stage, origin: datetime) -> Stage:
    """A copy of a stage as it stood then, on no machine in particular and at no set time."""
    mine = _copied(stage)
    mine.machine_id = mine.pinned_at = mine.started_at = None
    if stage.finished_at is None or stage.finished_at > origin:
        mine.finished_at, mine.state = None, StageState.WAITING
    return mine


def _with_clean(spec: StageSpec, clean: tuple[float, float], ran_alone: bool) -> StageSpec:
    """The stage with its clocked minutes. ran_alone: whether a machine of today may run by itself at it."""
    hand, alone = clean
    whole = hand + alone
    if spec.hands_on is None:
        return replace(spec, unattended=_fixed(whole))
    if spec.unattended is None:
        return replace(spec, hands_on=_fixed(whole))
    if (
        alone <= 0.0 and not ran_alone
    ):  # somebody had to stay: the part that needs nobody is as the forecast has it
        parts = [float(np.interp(0.5, PROBS, law.quantiles)) for law in (spec.hands_on, spec.unattended)]
        alone = whole * parts[1] / max(sum(parts), 1e-9)
    return replace(spec, hands_on=_fixed(whole - alone), unattended=_fixed(alone))


def _fixed(minutes: float) -> MinutesSpec:
    return MinutesSpec(np.full(PROBS.size, max(minutes, 0.0)))


def _moment(kind: str) -> EdgeKind:
    return EdgeKind.ATTENDED_TO_START if kind == "attended" else EdgeKind.FINISH_TO_START


def _pool(stage: Stage) -> str:
    kind = stage.kind
    if kind.machine_kind:
        return str(MachineKind(kind.machine_kind).label)
    return f"By hand: {kind.skill.name.lower()}" if kind.skill else "By hand"


def _midnight(shop: Shop, day: date) -> datetime:
    return datetime.combine(day, time(), shop.zone)


def _week(local: datetime) -> int:
    """Weeks since the first Monday, of a local instant."""
    return (local.date().toordinal() - 1) // 7
