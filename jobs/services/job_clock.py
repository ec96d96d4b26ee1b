"""One job's clock as its events tell it, read without writing: what corrections are made from."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Q

from jobs.clock import Event, Folded, Span, counting, fold
from jobs.models import ClockEvent, Job, Stage
from jobs.services.clock_facts import facts_of
from jobs.services.clock_reach import events_of_stages
from shop.models import Shop

ENDS = ("finish", "next", "aside")
"""What ends a stage's sitting for everybody."""

STARTS = ("start", "next", "resume")


@dataclass(frozen=True)
class JobClock:
    """What is known of a job's stages: every event that bears on them, those that count, and what they come to."""

    shop: Shop
    job: Job
    stages: dict[int, Stage]
    events: list[Event]
    counting: list[Event]
    folded: Folded

    def event(self, key: UUID) -> Event | None:
        """The event of one of the job's stages that counts and has this key."""
        return next((event for event in self.counting if event.id == key and self.holds(event)), None)

    def holds(self, event: Event) -> bool:
        """Whether an event is of one of the job's stages."""
        return event.stage in self.stages or event.to_stage in self.stages

    def of_stage(self, stage: int) -> list[Event]:
        """The counting events of one stage, in their order."""
        return [event for event in self.counting if event.stage == stage]

    def spans(self, stage: int, kind: str = "") -> list[Span]:
        """What one stage's events come to, of one kind of interval or of all."""
        return [span for span in self.folded.spans if span.stage == stage and kind in ("", span.kind)]


def job_clock(job: Job) -> JobClock:
    """Read a job's clock as it stands."""
    shop = job.shop
    stages = stages_of(shop, [job.pk])
    events = events_of_stages(shop, [stage.pk for stage in stages])
    folded = fold(events, facts_of(shop, stages, events))
    return JobClock(shop, job, {stage.pk: stage for stage in stages}, events, counting(events), folded)


def stages_of(shop: Shop, jobs: Collection[int]) -> list[Stage]:
    """All stages of these jobs with what the fold must know of them."""
    rows = Stage.objects.of(shop).filter(job__in=jobs).select_related("kind", "job")
    return list(rows.order_by("job_id", "position", "pk").prefetch_related("out_edges"))


def clock_state(job: Job) -> str:
    """Names what a job's clock holds now: another one as soon as any event is added to it or its stages change."""
    here = Q(stage__job=job) | Q(to_stage__job=job)
    known = ClockEvent.objects.of(job.shop).filter(here).count()
    digests = job.stages.order_by("pk").values_list("pk", "fold_digest", "left_out", "name")
    return hashlib.sha256(repr((known, list(digests))).encode()).hexdigest()[:16]


def covers(span: Span, at: datetime) -> bool:
    """Whether an instant lies inside a span, or is its end."""
    return span.starts < at and (span.ends is None or at <= span.ends)


def first_of(events: Iterable[Event], *kinds: str) -> Event | None:
    """The first of these events that is of one of these kinds."""
    return next((event for event in events if event.kind in kinds), None)
