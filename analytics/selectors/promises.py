"""Promises given, and how they turned out."""

from __future__ import annotations

from django.db.models import F

from jobs.models import Job, JobStatus
from shop.models import Shop


def promises_kept(shop: Shop) -> tuple[int, int]:
    """How many finished jobs were ready by the date that their customer was given, and how many had one."""
    finished = Job.objects.of(shop).filter(status=JobStatus.FINISHED, finished_at__isnull=False)
    dated = finished.filter(due_at__isnull=False)
    return dated.filter(finished_at__lte=F("due_at")).count(), dated.count()
