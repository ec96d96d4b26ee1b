"""A shop's past as it can be played again: its jobs as they came, what was clocked of them, the shop as it is now.

What today's shop cannot do any more stands as it was then, or is left out and counted; customers' visiting times, work
that was cancelled later, pauses and work done again are in it.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import TypeVar

import numpy as np

from analytics.engine.able import able_part
from analytics.engine.book import BookedJob
from analytics.engine.forecast import PROBS
from analytics.engine.hours import to_minutes
from analytics.engine.later import Arrow
from analytics.engine.plan import CannotPlan, MachineSpec, MinutesSpec, ShopSpec, StageSpec, able_machines
from analytics.engine.replay import Past
from analytics.engine.shop_changes import ShopChange, ShorterHolds, SwapProcess, changed_shop
from analytics.engine.stand_ins import StoodIn, stood_in, with_stand_ins
from analytics.engine.work import LeftOut, OpenWork
from analytics.selectors.left import Moment, arrow_of, left_of_job
from analytics.selectors.models import Learned
from analytics.selectors.open_jobs import OpenJob
from analytics.selectors.past_clock import More
from analytics.selectors.premises import DAYS, PRINTERS
from jobs.models import Job, JobStatus, Stage, StageState
from jobs.routes import Link
from jobs.services.stages import stage_as
from shop.models import InkBuild, MachineKind, Process, Shop

Row = TypeVar("Row", Job, Stage)

Clean = Mapping[int, tuple[float, float]]
"""A stage's minutes by its key: with somebody at it, and with the machine alone."""


@dataclass(frozen=True, eq=False)
class PastShop:
    """A past with all that playing it again needs. starts, ends: between which jobs that come in are scored.

    arrived: when each job came in. clean: clocked minutes; more: what comes on top of them. spec: the shop of today
    from `origin` on. rules: when a job type takes a stage in. was: the machine that a stage was on; gone: machines
    that are no longer there; both by key.
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
    more: Mapping[int, More] = field(default_factory=dict)
    was: Mapping[int, int] = field(default_factory=dict)
    gone: Mapping[int, MachineSpec] = field(default_factory=dict)

    @property
    def span(self) -> tuple[float, float]:
        """What is scored, minutes since the origin."""
        return to_minutes(self.origin, self.starts), to_minutes(self.origin, self.ends)

    def past(self) -> Past:
        """When the jobs came, were due and were finished."""
        arrived = self._minutes(self.arrived)
        first, last = self.span
        out = {one.job for one in self.left_out}
        counted = [job.status != JobStatus.CANCELLED and i not in out for i, job in enumerate(self.jobs)]
        return Past(
            arrived,
            self._minutes(job.due_at for job in self.jobs),
            self._minutes(job.finished_at for job in self.jobs),
            (arrived >= first) & (arrived < last) & np.array(counted, bool),
            np.array([_week(self.shop.local(at)) for at in self.arrived], np.int64),
        )

    def work(self, changes: Sequence[ShopChange] = ()) -> OpenWork:
        """The work of the past as it came in, in the shop with these changes."""
        machines = [one for stood in self.standing for one in stood.machines]
        spec = changed_shop(with_stand_ins(self.spec, machines), changes)
        at = self._at(spec)
        out = {one.job for one in self.left_out}
        stages: list[StageSpec] = []
        arrows: list[Arrow] = []
        for index, job in enumerate(self.jobs):
            if index not in out:
                mine, links = self._of_job(index, job, at, changes)
                stages += mine
                arrows += links
        return OpenWork(
            self.origin, spec, self._booked(), tuple(stages), tuple(arrows), -1, DAYS, left_out=self.left_out
        )

    @cached_property
    def as_they_came(self) -> Sequence[tuple[list[StageSpec], list[Link]]]:
        """The stages and arrows of each job, as it was made, in the shop without changes."""
        at = self._at(self.spec)
        return [left_of_job(self._as_it_came(job, None), index, at) for index, job in enumerate(self.jobs)]

    @cached_property
    def standing(self) -> Sequence[StoodIn]:
        """Of each job, what stands in where today's shop cannot do it; without stages where nothing helps."""
        return [self._standing(stages) for stages, _ in self.as_they_came]

    @cached_property
    def left_out(self) -> tuple[LeftOut, ...]:
        """The jobs that cannot be played again, and why."""
        found = []
        for index, (job, stood) in enumerate(zip(self.jobs, self.standing, strict=True)):
            stages, links = self.as_they_came[index]
            spec = with_stand_ins(self.spec, stood.machines)
            _, why = able_part(spec, stood.stages or stages, [arrow_of(k) for k in links], DAYS)
            if why:
                found.append(LeftOut(index, job.number, why))
        return tuple(found)

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

    def _standing(self, stages: Sequence[StageSpec]) -> StoodIn:
        try:
            return stood_in(self.spec, stages, self.was, self.gone)
        except CannotPlan:
            return StoodIn(())

    def _at(self, spec: ShopSpec) -> Moment:
        return Moment(self.origin, {}, (self.known, self.known), spec)

    def _of_job(
        self, index: int, job: Job, at: Moment, changes: Sequence[ShopChange]
    ) -> tuple[list[StageSpec], list[Arrow]]:
        """One job's stages and arrows as they are played."""
        process = self._made_by(job, changes)
        one = self._as_it_came(job, process)
        stood = self.standing[index]
        if process is None and at.spec.machines == self.spec.machines:
            mine, links = self.as_they_came[index]
        else:
            if process is None:
                set_down = {stage.key: stage.machine for stage in stood.stages}
                for pk, stage in one.kept.items():
                    stage.machine_id = set_down.get(pk)
            mine, links = left_of_job(one, index, at)
        most = min((c.most_min for c in changes if isinstance(c, ShorterHolds)), default=None)
        played = [
            self._stage(one.kept[spec.key], spec, index, process is not None, most)
            for spec in (_eased(spec, stood, at.spec) for spec in mine)
        ]
        return self._with_waits(played, links)

    def _with_waits(
        self, stages: list[StageSpec], links: Sequence[Link]
    ) -> tuple[list[StageSpec], list[Arrow]]:
        """With long pauses put before their stages, as waiting: behind what is before them, or behind the arrival."""
        waits = {stage.key: self.more.get(stage.key, More()).waits for stage in stages}
        follows = {k.after_id for k in links}
        stages = [
            replace(stage, ready_at=stage.ready_at + waits[stage.key])
            if waits[stage.key] and stage.key not in follows
            else stage
            for stage in stages
        ]
        arrows = [arrow_of(k) for k in links]
        return stages, [(b, a, kind, lag + waits.get(a, 0.0)) for b, a, kind, lag in arrows]

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
        def minutes(at: datetime | None) -> float | None:
            return None if at is None else to_minutes(self.origin, at)

        return tuple(
            BookedJob(job.number, str(job), minutes(job.due_at), minutes(job.turn_at)) for job in self.jobs
        )

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
        if job.status == JobStatus.CANCELLED:  # only what was worked at took anybody's time
            for stage in stages:
                stage.left_out = stage.pk not in self.clean
        edges = [edge for stage in job.stages.all() for edge in stage.out_edges.all()]
        ignores = {s.kind_id: frozenset(one.key for one in s.kind.ignores.all()) for s in stages}
        visits = [(visit.starts_at, visit.ends_at) for visit in job.visits.all()]
        return OpenJob.made(mine, stages, edges, list(job.items.all()), visits, ignores)

    def _stage(self, stage: Stage, spec: StageSpec, index: int, swapped: bool, most: int | None) -> StageSpec:
        """The stage not before its job came in, with what was clocked of it, or the cap on holds."""
        spec = replace(spec, ready_at=max(spec.ready_at, to_minutes(self.origin, self.arrived[index])))
        if stage.kind.is_hold and stage.hold_min is not None:
            if most is None or spec.unattended is None or spec.unattended.quantiles[0] <= most:
                return spec
            return replace(spec, unattended=_fixed(float(most)))
        clean, more = self.clean.get(stage.pk), self.more.get(stage.pk, More())
        if clean is None or (swapped and stage.kind.machine_kind in PRINTERS):
            return _with_more(spec, more)
        ran_alone = (
            any(m.alone != "no" for m in able_machines(self.spec, spec)) if spec.machine_kind else False
        )
        return _with_more(_with_clean(spec, clean, ran_alone), more)


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


def _eased(spec: StageSpec, stood: StoodIn, shop: ShopSpec) -> StageSpec:
    if spec.key not in stood.eased:
        return spec
    return replace(spec, skill=None, people=min(spec.people, max(len(shop.people), 1)))


def _with_more(spec: StageSpec, more: More) -> StageSpec:
    """The stage with the minutes on top: each with its own part, or with the other where it has only that."""
    if spec.hands_on is None:
        return replace(spec, unattended=_longer(spec.unattended, more.hands_on + more.unattended))
    if spec.unattended is None:
        return replace(spec, hands_on=_longer(spec.hands_on, more.hands_on + more.unattended))
    return replace(
        spec,
        hands_on=_longer(spec.hands_on, more.hands_on),
        unattended=_longer(spec.unattended, more.unattended),
    )


def _longer(law: MinutesSpec | None, minutes: float) -> MinutesSpec | None:
    return law if law is None or minutes <= 0.0 else replace(law, quantiles=law.quantiles + minutes)


def _pool(stage: Stage) -> str:
    kind = stage.kind
    if kind.machine_kind:
        return str(MachineKind(kind.machine_kind).label)
    return f"By hand: {kind.skill.name.lower()}" if kind.skill else "By hand"


def _week(local: datetime) -> int:
    """Weeks since the first Monday, of a local instant."""
    return (local.date().toordinal() - 1) // 7
