"""Finished stages as the clock leaves them, and all that is learned from them as plain values."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from analytics.models import ModelState, PooledState, Sample, StageDay
from jobs.models import Interval, IntervalKind, Job, JobStatus, JobType, Stage, StageKind, StageState
from shop.models import Machine, Person, Shop

MONDAY = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def a_job(shop: Shop, job_type: str = "Lettering") -> Job:
    """A job of a stock type, without stages."""
    made, _ = JobType.objects.get_or_create(shop=shop, name=job_type)
    number = Job.objects.of(shop).count() + 1
    return Job.objects.create(shop=shop, number=number, title=f"Job {number}", job_type=made)


def a_kind(shop: Shop, key: str) -> StageKind:
    """A stage kind: a stock one, or the shop's own."""
    return StageKind.objects.get_or_create(shop=shop, key=key, defaults={"name": key.capitalize()})[0]


def finish(
    job: Job,
    key: str,
    minutes: float,
    at: datetime,
    *,
    alone: float = 0.0,
    person: Person | None = None,
    machine: Machine | None = None,
    stage: Stage | None = None,
    **drivers: float | str,
) -> Stage:
    """A stage that ends at `at`, after `minutes` with somebody at it and then `alone` of the machine."""
    kind = a_kind(job.shop, key)
    stage = stage or Stage.objects.create(shop=job.shop, job=job, kind=kind, name=kind.name, drivers=drivers)
    stage.intervals.all().delete()
    left = at - timedelta(minutes=alone)
    start = left - timedelta(minutes=minutes)
    _interval(stage, IntervalKind.HANDS_ON, start, left, person=person)
    if alone:
        _interval(stage, IntervalKind.MACHINE, start, at, machine=machine)
    stage.state, stage.started_at, stage.finished_at = StageState.FINISHED, start, at
    stage.fold_digest = f"{minutes:.3f}{at:%m%d%H%M}"[:16]
    stage.save()
    Job.objects.filter(pk=job.pk).update(status=JobStatus.FINISHED, finished_at=at)
    return stage


def reopen(stage: Stage) -> None:
    """Take a stage's finish back."""
    stage.state, stage.finished_at, stage.fold_digest = StageState.RUNNING, None, "open"
    stage.save()


def learned_rows(shop: Shop) -> dict[str, list[dict[str, Any]]]:
    """Every derived row of what was learned, without its key, in a settled order."""
    return {
        model.__name__: [
            {name: value for name, value in row.items() if name not in ("id", "version")}
            for row in model.objects.of(shop).order_by(*order).values()
        ]
        for model, order in (
            (Sample, ("stage",)),
            (ModelState, ("kind", "part")),
            (PooledState, ("part",)),
            (StageDay, ("kind", "job_type", "day")),
        )
    }


def _interval(stage: Stage, kind: IntervalKind, start: datetime, end: datetime, **who: Any) -> None:
    Interval.objects.create(shop=stage.shop, stage=stage, kind=kind, starts_at=start, ends_at=end, **who)
