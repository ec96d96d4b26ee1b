"""A small shop's past for replays: jobs of one or a few stages, with what was clocked of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from analytics.models import Sample
from jobs.models import Job, JobStatus, JobType, Stage, StageEdge, StageKind, StageState
from shop.models import Process, Shop

MONDAY = datetime(2026, 3, 2, 9, tzinfo=UTC)
"""Opening time in the shop of `tests.analytics.quay`."""

DAYS = (MONDAY.date(), MONDAY.date() + timedelta(days=27))
NOW = MONDAY + timedelta(days=28)


def past_job(shop: Shop, came: datetime, *minutes: tuple[str, float], **facts: object) -> Job:
    """A finished job of stages one after the other: key of the kind, and the clean minutes (0: not clocked)."""
    job_type = JobType.objects.of(shop).get(name="Lettering")
    number = Job.objects.of(shop).count() + 1
    ended = came + timedelta(days=2)
    job = Job.objects.create(
        **{
            "shop": shop,
            "number": number,
            "title": f"Job {number}",
            "job_type": job_type,
            "status": JobStatus.FINISHED,
            "created_at": came,
            "finished_at": ended,
            **facts,
        }
    )
    before = None
    for position, (key, clean) in enumerate(minutes):
        stage = past_stage(job, key, clean, position, ended)
        if before is not None:
            StageEdge.objects.create(shop=shop, before=before, after=stage)
        before = stage
    return job


def past_stage(job: Job, key: str, clean: float, position: int, ended: datetime) -> Stage:
    """A finished stage, with a sample where it was clocked."""
    kind = StageKind.objects.of(job.shop).get(key=key)
    process: Process | None = job.process
    hold = (process.hold_min if process else kind.hold_min) if kind.is_hold else None
    stage = Stage.objects.create(
        shop=job.shop,
        job=job,
        kind=kind,
        name=kind.name,
        position=position,
        hold_min=hold,
        state=StageState.FINISHED,
        started_at=ended - timedelta(hours=1),
        finished_at=ended,
    )
    if clean:
        Sample.objects.create(
            shop=job.shop,
            stage=stage,
            kind=kind,
            job_type=job.job_type,
            hands_on_min=clean,
            finished_at=ended,
            fold_digest="x",
        )
    return stage


def two_weeks(shop: Shop) -> list[Job]:
    """Ten jobs of two hours' weeding each: three on Mondays at opening and two on Fridays at 16:00, due in a day."""
    jobs = []
    for week in range(2):
        for day, hour, count in ((0, 9, 3), (4, 16, 2)):
            came = (MONDAY + timedelta(days=7 * week + day)).replace(hour=hour)
            jobs += [
                past_job(shop, came, ("weed", 120), due_at=came + timedelta(days=1)) for _ in range(count)
            ]
    return jobs
