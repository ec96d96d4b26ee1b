"""Reading a shop's past for a replay: which jobs came when, and what was clocked of them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import date, datetime, time, timedelta

from django.db.models import F, Min, Prefetch, Q, QuerySet
from django.db.models.functions import Coalesce, Least

from analytics.engine.plan import ShopSpec
from analytics.models import Sample
from analytics.selectors.habits import breaks_by_person
from analytics.selectors.models import learned_stages
from analytics.selectors.past_clock import (
    cancelled_minutes,
    machines_then,
    more_of,
    rows_of_jobs,
)
from analytics.selectors.past_shop import PastShop
from analytics.selectors.premises import DAYS, machine_specs, shop_spec
from jobs.models import Interval, Job, JobStatus, Stage
from jobs.services.stages import needed_rules
from shop.models import Process, Shop

QUARTER = 90
"""Days that are played again where nothing else is asked for."""

WARM_UP = timedelta(days=14)
"""Played before the first day, so that the shop is as full as it was; jobs that came in it are not scored."""

FEWEST = 10
"""Jobs below which a quarter says nothing."""

DONE = (JobStatus.PROMISED, JobStatus.IN_HAND, JobStatus.FINISHED)


def past_shop(shop: Shop, starts_on: date, ends_on: date, now: datetime) -> PastShop:
    """The past between two local days, both included, as far as it has passed at `now`. Some twenty queries."""
    starts, after = _midnight(shop, starts_on), _midnight(shop, ends_on + timedelta(days=1))
    ends = min(after, now)
    origin = starts - WARM_UP
    jobs = list(_jobs(shop, origin, ends))
    types = {job.job_type_id: job for job in jobs}
    # What is clocked after `now` stays out: a replay that is under way would begin again with each tap.
    samples = Sample.objects.of(shop).filter(
        used=True, stage__job__in=[job.pk for job in jobs], finished_at__lte=now
    )
    clean = {
        pk: (hand, alone)
        for pk, hand, alone in samples.values_list("stage_id", "hands_on_min", "unattended_min")
    }
    rows, spec = rows_of_jobs(shop, jobs, origin, now), _shop_then(shop, origin, ends)
    cancelled = cancelled_minutes(jobs, rows)
    more = more_of(rows, spec, DAYS)
    was = machines_then(rows)
    return PastShop(
        shop,
        origin,
        starts,
        ends,
        jobs,
        [job.came for job in jobs],  # type: ignore[attr-defined]
        {**clean, **cancelled},
        spec,
        learned_stages(shop),
        {process.pk: process for process in Process.objects.of(shop)},
        {key: needed_rules(job) for key, job in types.items()},
        more,
        was,
        {machine.key: machine for machine in machine_specs(shop, active=False)},
    )


def _shop_then(shop: Shop, origin: datetime, ends: datetime) -> ShopSpec:
    """Today's shop from the origin on: nothing on its machines, and people with the breaks that they keep."""
    spec, breaks = shop_spec(shop, origin), breaks_by_person(shop, ends)
    return replace(
        spec,
        machines=tuple(replace(machine, loaded=None, hot_until=0.0) for machine in spec.machines),
        people=tuple(replace(person, breaks=breaks.get(person.key, ())) for person in spec.people),
    )


def jobs_in(shop: Shop, starts_on: date, ends_on: date, now: datetime) -> int:
    """How many jobs came in between two local days, both included, and were not cancelled."""
    starts, ends = _midnight(shop, starts_on), min(_midnight(shop, ends_on + timedelta(days=1)), now)
    return _arriving(shop, ends, DONE, starts).count()


def unsuited_to(shop: Shop, process: int) -> str:
    """What the process of that key is not suited to; empty where nothing is said."""
    return Process.objects.of(shop).filter(pk=process).values_list("unsuited_to", flat=True).first() or ""


def _arriving(
    shop: Shop, before: datetime, status: Collection[str], since: datetime | None = None
) -> QuerySet[Job]:
    """Jobs of these states, and when they `came`: with the first date given for them, or with the first tap."""
    jobs = Job.objects.of(shop).filter(status__in=status)
    asked = Coalesce(Min("promises__made_at"), F("created_at"))
    came = jobs.annotate(came=Least(asked, Coalesce(F("started_at"), asked))).filter(came__lt=before)
    return came if since is None else came.filter(came__gte=since)


def _jobs(shop: Shop, origin: datetime, ends: datetime) -> QuerySet[Job]:
    """The jobs that could have come in before the end and were not over at the origin, with all that is read.

    A cancelled job is one of them if somebody worked at it.
    """
    stages = Stage.objects.select_related("kind__skill").order_by("position", "pk")
    worked = Interval.objects.of(shop).filter(
        stage__job__status=JobStatus.CANCELLED, starts_at__gte=origin, ends_at__isnull=False
    )
    goes_on = ~Q(status=JobStatus.CANCELLED) & (Q(finished_at=None) | Q(finished_at__gt=origin))
    taken_up = Q(status=JobStatus.CANCELLED, pk__in=worked.values("stage__job"))
    jobs = _arriving(shop, ends, (*DONE, JobStatus.CANCELLED)).filter(goes_on | taken_up)
    return (
        jobs.select_related("job_type", "process", "finish")
        .prefetch_related(
            "items",
            "visits",
            "job_type__unsuited",
            Prefetch("stages", stages.prefetch_related("out_edges", "kind__ignores")),
        )
        .order_by("number")
    )


def _midnight(shop: Shop, day: date) -> datetime:
    return datetime.combine(day, time(), shop.zone)
