"""A shop's finished jobs as the records that the backtest walks through."""

from __future__ import annotations

from collections import defaultdict

from django.db.models import QuerySet

from analytics.engine.backtest import JobRecord, StageRecord
from analytics.engine.hours import to_minutes
from analytics.models import Sample
from analytics.selectors.samples import EPOCH
from jobs.models import Category, Job, JobStatus
from shop.models import Shop


def job_records(shop: Shop) -> list[JobRecord]:
    """The finished jobs that have a sample, by their finish; a job is named by its reference, else its number.

    Without their holds: a job's total is of the minutes that somebody or a machine worked, and a wait of days beside
    them would be all that a mean error says.
    """
    stages: dict[int, list[StageRecord]] = defaultdict(list)
    samples = samples_to_walk(shop).select_related("kind", "stage")
    for sample in samples.order_by("stage__position", "stage_id"):
        stages[sample.stage.job_id].append(_stage_record(sample))
    jobs = Job.objects.of(shop).filter(status=JobStatus.FINISHED, finished_at__isnull=False)
    return [
        JobRecord(
            job.reference or str(job.number),
            job.job_type.name,
            to_minutes(EPOCH, job.finished_at),
            stages[job.pk],
            row=job.pk,
        )
        for job in jobs.select_related("job_type").order_by("finished_at", "pk")
        if job.finished_at is not None and job.pk in stages
    ]


def samples_to_walk(shop: Shop) -> QuerySet[Sample]:
    """The samples of finished jobs' work."""
    finished = Sample.objects.of(shop).filter(stage__job__status=JobStatus.FINISHED)
    return finished.exclude(kind__category=Category.HOLD)


def jobs_to_walk(shop: Shop) -> int:
    """How many finished jobs there are to walk through."""
    return samples_to_walk(shop).order_by().values("stage__job").distinct().count()


def _stage_record(sample: Sample) -> StageRecord:
    started_at = sample.stage.started_at or sample.finished_at
    return StageRecord(
        stage=sample.kind.name,
        kind_key=sample.kind.key,
        hands_on=sample.hands_on_min,
        unattended=sample.unattended_min,
        drivers=dict(sorted(sample.drivers.items())),
        categories=dict(sorted(sample.categories.items())),
        started_at=to_minutes(EPOCH, started_at),
        finished_at=to_minutes(EPOCH, sample.finished_at),
        used=sample.used,
        why=sample.why,
        row=sample.stage_id,
    )
