"""The finished stages of a shop, a job at a time, as they are exported."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Prefetch, QuerySet

from jobs.drivers import FROM_ITEMS, categories_of, drivers_of
from jobs.exporting.sittings import JobTimes, Span, StageTimes, sittings_of
from jobs.models import Driver, Interval, IntervalKind, Item, Job, Stage, StageState
from shop.models import Machine, Person, Shop

AT_ONCE = 200
"""Jobs that are read from the database at a time."""


@dataclass(frozen=True)
class Period:
    """Days on the shop's clock within which a stage finished, both included; None: without an end."""

    first: date | None = None
    last: date | None = None


def stages_within(shop: Shop, period: Period) -> QuerySet[Stage]:
    """The shop's stages that finished in the period."""
    stages = Stage.objects.of(shop).filter(state=StageState.FINISHED, left_out=False)
    if period.first is not None and period.first > date.min:
        stages = stages.filter(finished_at__gte=datetime.combine(period.first, time(), shop.zone))
    if period.last is not None and period.last < date.max:
        end = period.last + timedelta(days=1)
        stages = stages.filter(finished_at__lt=datetime.combine(end, time(), shop.zone))
    return stages


def driver_keys(shop: Shop, period: Period) -> list[str]:
    """The drivers that some stage of the period has a value of: the shop's own in their order, then others."""
    used: set[str] = set()
    stages = stages_within(shop, period)
    for own, of_job in stages.order_by().values_list("drivers", "job__drivers").iterator():
        used |= {*own, *of_job}
    if Item.objects.of(shop).filter(job__stages__in=stages).exists():
        used |= {*FROM_ITEMS, "passes"}
    mine = Driver.objects.of(shop).values_list("key", flat=True)
    known = [key for key in mine if key in used]
    return known + sorted(used.difference(known))


def jobs_exported(shop: Shop, period: Period) -> Iterator[JobTimes]:
    """The jobs with stages of the period, by their number, read a few at a time."""
    stages = stages_within(shop, period).select_related("kind").order_by("position", "pk")
    ended = Interval.objects.of(shop).filter(ends_at__isnull=False).order_by("starts_at", "pk")
    jobs = Job.objects.of(shop).filter(pk__in=stages.order_by().values("job"))
    rows = (
        jobs.select_related("job_type")
        .order_by("number")
        .prefetch_related("items", Prefetch("stages", stages), Prefetch("stages__intervals", ended))
    )
    people = dict(Person.objects.of(shop).values_list("pk", "name"))
    machines = dict(Machine.objects.of(shop).values_list("pk", "name"))
    names = set(Job.objects.of(shop).exclude(reference="").values_list("reference", flat=True))
    for job in rows.iterator(chunk_size=AT_ONCE):
        yield JobTimes(job_name(job, names), job.job_type.name, _stages(job, people, machines))


def job_name(job: Job, references: set[str]) -> str:
    """What a job is called in a log: its reference, or its number where no other job is called so."""
    if job.reference:
        return job.reference
    number = str(job.number)
    return number if number not in references else f"job {number} {job.title}"[:120]


def _stages(job: Job, people: Mapping[int, str], machines: Mapping[int, str]) -> list[StageTimes]:
    stages, items = list(job.stages.all()), list(job.items.all())
    made: list[StageTimes] = []
    seen: Counter[str] = Counter()
    for stage in stages:
        spans = [_span(interval, people, machines) for interval in stage.intervals.all()]
        drivers: dict[str, Any] = drivers_of(items, job.drivers, stage.drivers)
        drivers |= categories_of(job.drivers, stage.drivers)
        if spans:
            made.append(StageTimes(_stage_name(stage, seen), sittings_of(spans), drivers))
    return made


def _stage_name(stage: Stage, seen: Counter[str]) -> str:
    """The name of its kind, by which another shop knows it; its own where its job has that kind already."""
    for name in (stage.kind.name, stage.name):
        if not seen[name.casefold()]:
            break
    else:
        name = f"{stage.name} {seen[stage.kind.name.casefold()] + 1}"
    seen[stage.kind.name.casefold()] += 1
    seen[name.casefold()] += name.casefold() != stage.kind.name.casefold()
    return name


def _span(interval: Interval, people: Mapping[int, str], machines: Mapping[int, str]) -> Span:
    assert interval.ends_at is not None  # noqa: S101 - only ended ones are read
    return Span(
        interval.kind,
        interval.starts_at,
        interval.ends_at,
        people.get(interval.person_id or 0, ""),
        machines.get(interval.machine_id or 0, ""),
        plain=interval.kind == IntervalKind.INTERRUPTION
        and interval.person_id is None
        and interval.cause_id is None,
    )
