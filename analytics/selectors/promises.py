"""Promises given, and how they turned out."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime

from django.db.models import OuterRef, Subquery

from analytics.models import Promise
from jobs.models import Job, JobStatus
from shop.models import Shop


def promises_kept(shop: Shop) -> tuple[int, int]:
    """How many finished jobs were ready by the last date promised, and how many had one."""
    last = Promise.objects.filter(job=OuterRef("pk")).order_by("-made_at").values("promised_at")[:1]
    finished = Job.objects.of(shop).filter(status=JobStatus.FINISHED, finished_at__isnull=False)
    rows = finished.annotate(promised=Subquery(last)).filter(promised__isnull=False)
    pairs = list(rows.values_list("finished_at", "promised"))
    return sum(done <= promised for done, promised in pairs if done is not None), len(pairs)


def chance_by(curve: Sequence[datetime], instant: datetime) -> float:
    """The chance, 0..1, of a finish by an instant. curve: the finish at evenly spaced probabilities, rising."""
    return bisect_right(curve, instant) / (len(curve) + 1)
