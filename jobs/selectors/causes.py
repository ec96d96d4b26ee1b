"""The causes of a shop, and how often each was used lately."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.models import Cause, Interval, IntervalKind
from jobs.selectors.again import remakes, totals_by_cause
from shop.models import Shop

LATELY = timedelta(days=90)


@dataclass
class CauseUse:
    """A cause with how often stages paused for it and work was done again for it lately, and the minutes of both."""

    cause: Cause
    pauses: int = 0
    pause_min: float = 0.0
    again: int = 0
    again_min: float = 0.0

    @property
    def used(self) -> bool:
        """Whether it was used at all."""
        return bool(self.pauses or self.again)


def causes_with_use(shop: Shop, now: datetime) -> list[CauseUse]:
    """The shop's causes in their order, each with its use in the last 90 days; pauses that last count up to `now`."""
    found = {cause.pk: CauseUse(cause) for cause in Cause.objects.of(shop)}
    since = now - LATELY
    rows = Interval.objects.of(shop).filter(
        kind=IntervalKind.INTERRUPTION, cause__isnull=False, starts_at__gte=since, starts_at__lt=now
    )
    for cause, starts, ends in rows.values_list("cause_id", "starts_at", "ends_at"):
        if cause in found:
            found[cause].pauses += 1
            found[cause].pause_min += ((ends or now) - starts) / timedelta(minutes=1)
    for one in totals_by_cause(remakes(shop, now, since=since, until=now)):
        if one.cause is not None:
            found[one.cause.pk].again, found[one.cause.pk].again_min = one.times, one.minutes
    return list(found.values())
