"""Presses on the floor of a small invented shop, as devices send them."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, time, timedelta
from typing import Any

from jobs.models import Job, JobStatus, Stage
from jobs.services.taps import Tap, record_taps
from shop.models import Machine, MachineKind, OpeningHours, Person, Shop
from shop.services import shop_create
from tests.analytics.derived import a_job, a_kind

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)


def at(hour: float, day: int = 0) -> datetime:
    """An hour of the week of MONDAY; day 1 is Tuesday."""
    return MONDAY + timedelta(days=day, hours=hour)


class QuayFloor:
    """Open on weekdays 08:00 to 17:00 UTC, with a break from 12:00 to 12:30 if asked for; Ann, Ben and a cutter."""

    def __init__(self, *, with_break: bool = False, slug: str = "quay") -> None:
        self.shop: Shop = shop_create(slug=slug, name="Quay Signs", time_zone="UTC")
        windows = ((8, 12, 0), (12, 17, 30)) if with_break else ((8, 17, 0),)
        OpeningHours.objects.bulk_create(
            OpeningHours(shop=self.shop, weekday=day, opens=time(opens, minute), closes=time(closes))
            for day in range(5)
            for opens, closes, minute in windows
        )
        self.ann = Person.objects.create(shop=self.shop, name="Ann")
        self.ben = Person.objects.create(shop=self.shop, name="Ben")
        self.cutter = Machine.objects.create(
            shop=self.shop, name="Cutter", kind=MachineKind.CUTTER, unattended="always"
        )

    def stage(self, key: str = "weed", job: Job | None = None) -> Stage:
        """A stage of a promised job of its own, or of this one."""
        job = job or a_job(self.shop)
        Job.objects.filter(pk=job.pk, status=JobStatus.ENQUIRY).update(status=JobStatus.PROMISED)
        kind = a_kind(self.shop, key)
        return Stage.objects.create(
            shop=self.shop, job=job, kind=kind, name=kind.name, position=job.stages.count()
        )

    def press(
        self, kind: str, stage: Stage, when: datetime, person: Person | None = None, **more: Any
    ) -> uuid.UUID:
        """One press, sent and received when it was made; its id."""
        key = uuid.uuid4()
        named = {name: value.pk if hasattr(value, "pk") else value for name, value in more.items()}
        tap = Tap(id=key, kind=kind, stage=stage.pk, at=when, person=(person or self.ann).pk, **named)
        outcome = record_taps(shop=self.shop, user=None, taps=[tap], sent_at=when, received_at=when)
        assert [one.problem for one in outcome.results] == [""]
        return key

    def done(self, minutes: float, when: datetime, key: str = "weed", person: Person | None = None) -> Stage:
        """A stage that somebody started then and finished properly so many minutes later."""
        stage = self.stage(key)
        self.press("start", stage, when, person)
        self.press("finish", stage, when + timedelta(minutes=minutes), person)
        return stage

    def practised(self, key: str = "weed") -> None:
        """Twelve stages of a kind the month before, of 18 to 22 minutes."""
        for n in range(12):
            self.done(18 + n % 5, at(9 + n % 3, n - 40), key, self.ben)
