"""The watch: how every open job stands now, and which promises slip.

The work is simulated outside any transaction; what came of it is written in a short one, and only if nobody has
written a later state of the shop meanwhile. So two workers at once do no harm, and no tap waits.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from datetime import datetime

import numpy as np
from django.db import transaction

from analytics.engine.book import instant_of
from analytics.engine.work import LeftOut
from analytics.models import JobOutlook, Promise, Slip, SlipKind
from analytics.selectors.backlog import OPEN
from analytics.selectors.outlooks import slips_open, standing_promises, watch_is_due
from analytics.selectors.refusals import REFUSALS, refusal_said
from analytics.services.saving import Futures, Saver, futures_of, savers_of
from analytics.services.slips import Standing, is_slipping, slips_settle
from jobs.models import Job
from shop.models import Shop

log = logging.getLogger(__name__)

LEVELS = (0.1, 0.25, 0.5, 0.8, 0.95)
MOST_SAVED = 6
"""Slipping promises for which it is tried what would save them: those newly noticed, then the earliest dates."""


def watch_shop(shop: Shop, now: datetime) -> list[Slip]:
    """Work out how a shop's open jobs stand, if that is due, and settle what slips; the slips newly noticed.

    A slip is a date that became too unlikely, or a promised job that cannot be done any more.
    """
    if not watch_is_due(shop, now):
        return []
    shop = Shop.objects.get(pk=shop.pk)  # its revision before anything else of it is read
    promises = standing_promises(shop)
    jobs = dict(Job.objects.of(shop).filter(status__in=OPEN).values_list("pk", "number"))
    found, savers = _looked_at(shop, now, jobs, promises)
    return _write(shop, now, found, promises, savers)


def shops_due(now: datetime) -> list[int]:
    """The shops, by key, whose open jobs are to be worked out anew."""
    return [shop.pk for shop in Shop.objects.order_by("pk") if watch_is_due(shop, now)]


def why_unknown(shop: Shop, now: datetime) -> tuple[str, tuple[LeftOut, ...]]:
    """Why nothing can be said of the open jobs, empty where it can; and which of them cannot be done to the end."""
    try:
        return "", futures_of(shop, now).work.left_out
    except REFUSALS as why:
        return refusal_said(why), ()


def _looked_at(
    shop: Shop, now: datetime, jobs: Mapping[int, int], promises: Mapping[int, Promise]
) -> tuple[dict[int, Standing], dict[int, list[Saver]]]:
    """How each job stands, by its key; and by the promise's key what would save those that slip."""
    if not jobs:
        return {}, {}
    try:
        futures = futures_of(shop, now)
    except REFUSALS as why:
        log.info("Nothing can be said of the open jobs of %s: %s", shop.slug, why)
        return dict.fromkeys(jobs, _unknown(refusal_said(why))), {}
    by_number = {job.number: i for i, job in enumerate(futures.work.jobs)}
    place = {job: by_number[number] for job, number in jobs.items() if number in by_number}
    stuck = {one.job: one.why for one in futures.work.left_out}
    found = {
        job: _unknown(stuck[index]) if index in stuck else _standing(futures, index, promises.get(job))
        for job, index in place.items()
    }
    return found, dict(_savers(shop, futures, place, promises, found))


def _unknown(why: str) -> Standing:
    """A job of whose finish nothing can be said, and why."""
    return Standing({}, None, 0, why)


def _standing(futures: Futures, index: int, promise: Promise | None) -> Standing:
    mine = np.sort(futures.finish[:, index])
    at = np.quantile(mine, LEVELS, method="inverted_cdf")
    said = {f"{p:g}": instant_of(futures.book, float(m)).isoformat() for p, m in zip(LEVELS, at, strict=True)}
    due = futures.due(index, promise.promised_at if promise else None)
    return Standing(said, float(np.mean(mine <= due)) if due is not None else None, mine.size)


def _savers(
    shop: Shop,
    futures: Futures,
    place: Mapping[int, int],
    promises: Mapping[int, Promise],
    found: Mapping[int, Standing],
) -> Iterator[tuple[int, list[Saver]]]:
    """place: by the job's key, its index."""
    slipping = [p for job, p in promises.items() if job in found and is_slipping(found[job], p)]
    known = slips_open(shop)
    slipping.sort(key=lambda one: ((one.pk, SlipKind.LATE) in known, one.promised_at, one.pk))
    for promise in slipping[:MOST_SAVED]:
        yield promise.pk, savers_of(shop, futures, place[promise.job_id], promise)


@transaction.atomic
def _write(
    shop: Shop,
    now: datetime,
    found: Mapping[int, Standing],
    promises: Mapping[int, Promise],
    savers: Mapping[int, list[Saver]],
) -> list[Slip]:
    stored = list(JobOutlook.objects.of(shop).select_for_update().order_by("job"))
    if any((row.revision, row.worked_out_at) > (shop.revision, now) for row in stored):
        return []
    JobOutlook.objects.filter(pk__in=[row.pk for row in stored if row.job_id not in found]).delete()
    JobOutlook.objects.bulk_create(
        (
            JobOutlook(
                shop=shop,
                job_id=job,
                worked_out_at=now,
                revision=shop.revision,
                quantiles=dict(one.quantiles),
                chance=one.chance,
                runs=one.runs,
                why=one.why,
            )
            for job, one in sorted(found.items())
        ),
        update_conflicts=True,
        unique_fields=["job"],
        update_fields=["worked_out_at", "revision", "quantiles", "chance", "runs", "why"],
    )
    return slips_settle(shop, now, found, promises, savers)
