"""A rush: the job's date if it is put first of all, and what that does, job by job, to what is promised."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from django.db import transaction
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from analytics.engine.variants import Floats, at_level
from analytics.models import Promise, WhyChanged
from analytics.services.choices import Options
from analytics.services.promises import promise_accept
from analytics.services.promising import promise_compute, sayable
from analytics.services.running_totals import FINEST
from jobs.models import Job
from shop.errors import ShopError
from shop.models import Shop, User

STALE = timedelta(hours=12)
"""A date shown longer ago than this is worked out anew before it is given."""

TOUCHED_SHARE = 0.005
"""By how much less likely its date makes another job touched: one that is later and still in time is not harmed."""


@dataclass(frozen=True)
class Touched:
    """Another job with a date: its chance of being kept, and when it is likely done, before and after.

    later: mean minutes by which it is finished later. likely: at the odds that its date was given at.
    """

    number: int
    name: str
    due: datetime
    before: float
    after: float
    later: float
    likely_before: datetime
    likely_after: datetime


@dataclass(frozen=True, eq=False)
class Rush:
    """The date if the job is put first, the one if it is not, and the jobs that it touches, the worst first.

    broken_before, broken_after: promises that are expected to be broken. digest: of what it was worked out from;
    runs: how many futures its date rests on.
    """

    options: Options
    promised_at: datetime
    otherwise: datetime
    touched: tuple[Touched, ...]
    dated: int
    broken_before: float
    broken_after: float
    digest: str
    runs: int

    @property
    def made_at(self) -> str:
        """When it was worked out, ISO 8601."""
        return self.options.book.origin.isoformat()

    @property
    def others(self) -> int:
        """How many other dates it does nothing to."""
        return self.dated - len(self.touched)

    @property
    def gain_min(self) -> float:
        """Minutes by which the date comes forward."""
        return (self.otherwise - self.promised_at) / timedelta(minutes=1)


def rush_of(options: Options) -> Rush:
    """What putting the job first would do: to the others against it in its place, or without it if it has none."""
    book = options.book
    first, futures = options.first
    with sayable():
        present, after = options.common.look(book).finish, options.common.look(first).finish
        has_place = options.turn is not None
        before = present if has_place else options.common.without_target()
    touched = _touched(options, before, after)
    return Rush(
        options=options,
        promised_at=options.promised_first,
        otherwise=options.promised_at,
        touched=tuple(
            sorted((one for one in touched if _is_touched(one)), key=lambda one: one.after - one.before)
        ),
        dated=len(touched),
        broken_before=sum(1 - one.before for one in touched),
        broken_after=sum(1 - one.after for one in touched),
        digest=first.digest,
        runs=futures.runs,
    )


def rush_take(shop: Shop, job: Job, *, made_at: str, digest: str, runs: str, user: User | None) -> Promise:
    """Promise the date and put the job first, if the work still stands as it did when the date was shown.

    made_at: ISO 8601. runs: how many futures it was shown from. Raises ShopError where it was shown too long ago, or
    the work has moved since.
    """
    at, now = parse_datetime(made_at), timezone.now()
    many = int(runs) if runs.isdecimal() and len(runs) < 6 else 0
    if at is None or timezone.is_naive(at) or not now - STALE <= at <= now or not 0 < many <= FINEST:
        raise ShopError("That date was worked out too long ago. Here it is anew.")
    outlook = promise_compute(
        shop, job, now=at, put_first=True, runs=many, kept=True
    )  # the date that was shown
    if outlook.book.digest != digest:
        raise ShopError("The work has moved since that date was worked out. Here it is anew.")
    with transaction.atomic():
        return promise_accept(outlook, user=user, why_changed=WhyChanged.SOONER, put_first=True)


def _touched(options: Options, before: Floats, after: Floats) -> list[Touched]:
    """All other jobs that have a date."""
    found = []
    for i, job in enumerate(options.book.jobs):
        if job.due is None or i == options.book.target:
            continue
        level = job.confidence or options.confidence
        found.append(
            Touched(
                job.number,
                job.name,
                options.at(job.due),
                float(np.mean(before[:, i] <= job.due)),
                float(np.mean(after[:, i] <= job.due)),
                float(np.mean(after[:, i] - before[:, i])),
                options.at(at_level(before[:, i], level)),
                options.at(at_level(after[:, i], level)),
            )
        )
    return found


def _is_touched(one: Touched) -> bool:
    return one.before - one.after >= TOUCHED_SHARE
