"""Promised jobs of a small invented shop, for the tests of the watch."""

from datetime import UTC, datetime

from analytics.models import Promise
from jobs.models import Job, JobStatus, Stage, StageKind
from shop.models import Shop
from tests.analytics.quay import enquiry

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


def promise_by(job: Job, at: datetime, confidence: float = 0.8, made_at: datetime = MONDAY) -> Promise:
    """A promise of that date, whatever the work says."""
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=at)
    facts = {"quantiles": {}, "quote": {}, "seed": 1, "runs": 1, "model_version": "1", "backlog_digest": ""}
    made = Promise.objects.create(
        shop=job.shop,
        job=job,
        made_at=made_at,
        promised_at=at,
        confidence=confidence,
        snapshot=b"",
        **facts,
    )
    moved(job.shop)
    return made


def moved(shop: Shop) -> None:
    """Say that something happened in the shop."""
    Shop.objects.filter(pk=shop.pk).update(revision=Shop.objects.get(pk=shop.pk).revision + 1)


def lies(shop: Shop, minutes: float) -> Job:
    """A job of one stage that nobody is needed for: it lies so many minutes, day and night."""
    job = enquiry(shop)
    first = job.stages.all()[0]
    Stage.objects.filter(job=job).exclude(pk=first.pk).update(left_out=True)
    approval = StageKind.objects.of(shop).get(key="approval")
    Stage.objects.filter(pk=first.pk).update(kind=approval, hold_min=minutes, left_out=False)
    return Job.objects.get(pk=job.pk)
