"""Awkward shops: one person, and work whose minutes are given, so that their dates can be added up by hand."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time
from unittest.mock import patch

import numpy as np
from django.test import Client
from numpy.typing import NDArray

from analytics.engine.forecast import PROBS, Forecast
from analytics.selectors.laws import PartForecast
from analytics.services.promising import promise_compute
from jobs.models import Job, JobStatus, Stage, StageEdge, StageKind
from shop.models import Membership, OpeningHours, Role, Shop, User
from tests.analytics.quay import enquiry

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
"""Opening time in the shop of `tests.analytics.quay`."""


@contextmanager
def minutes_of(**minutes: float | NDArray[np.float64]) -> Iterator[None]:
    """Every stage of these kinds takes so many minutes, hands-on; of any other kind an hour. An array: at PROBS."""

    def laws(kind: StageKind, *_: object) -> list[PartForecast]:
        law = Forecast(np.full(PROBS.size, minutes.get(kind.key, 60), float), 0.0, False, 0.0)
        return [PartForecast(law, "unattended" if kind.is_hold else "hands_on")]

    with patch("analytics.selectors.left.forecasts_of", laws):
        yield


def job_of(shop: Shop, *stages: str | float, **facts: object) -> Job:
    """An enquiry of stages one after the other: a kind's key, or the minutes of a hold."""
    job = enquiry(shop, **facts)
    job.stages.all().delete()
    before = None
    for position, one in enumerate(stages):
        kind = StageKind.objects.of(shop).get(key=one if isinstance(one, str) else "approval")
        hold = None if isinstance(one, str) else one
        made = Stage.objects.create(
            shop=shop, job=job, kind=kind, name=kind.name, position=position, hold_min=hold
        )
        if before is not None:
            StageEdge.objects.create(shop=shop, before=before, after=made)
        before = made
    return Job.objects.get(pk=job.pk)


def booked(job: Job, due_at: datetime | None) -> Job:
    """The job with a date that somebody gave for it."""
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=due_at)
    return Job.objects.get(pk=job.pk)


def finish(shop: Shop, job: Job, now: datetime = MONDAY) -> datetime:
    """When the job is finished, where that is certain."""
    outlook = promise_compute(shop, job, now=now, runs=8)
    assert len(set(outlook.curve)) == 1, set(outlook.curve)
    return outlook.curve[0]


def opens(shop: Shop, *windows: tuple[int, time, time], zone: str = "UTC") -> None:
    """Give the shop these opening hours and no others: weekday (0: Monday), from and to."""
    OpeningHours.objects.of(shop).delete()
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens=first, closes=last) for day, first, last in windows
    )
    shop.time_zone = zone
    shop.save()


def client_of(shop: Shop, role: Role = Role.OWNER) -> Client:
    """Somebody of the shop in a browser."""
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client
