"""What the level at which dates are read off follows: where past finishes fell in their forecasts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from analytics.engine.following import LAST, Following, follow
from analytics.engine.ledger import between
from analytics.models import Promise
from analytics.selectors.ledger import Passed, passed_dates
from shop.models import Shop

Place = tuple[float, float]


def following(shop: Shop, confidence: float, now: datetime) -> Following:
    """The level at which dates would hold with `confidence`, whether the shop follows it or not. Two queries."""
    return follow(finish_places(shop, now), confidence)


def finish_places(shop: Shop, now: datetime) -> list[Place]:
    """Between which levels of its forecast each job's finish fell, of the latest dates passed at `now`, oldest first.

    A job counts once for each date that is judged as first given.
    """
    due = (
        Promise.objects.of(shop)
        .filter(promised_at__lte=now, made_at__lte=now)
        .order_by("-promised_at", "-pk")
    )
    jobs = set(due.values_list("job_id", flat=True)[: 2 * LAST])
    passed = passed_dates(Promise.objects.of(shop).filter(job__in=jobs, made_at__lte=now), now)
    return [_place(one, now) for one in passed[-LAST:]]


def _place(one: Passed, now: datetime) -> Place:
    """Between which of the levels kept with a date its job was finished.

    Where no distribution was kept, as of a date that was not reckoned here, the date itself is the only level.
    """
    kept = levels_of(one.quantiles) or [(one.level, one.due)]
    levels, instants = zip(*kept, strict=True)
    return between(levels, instants, one.finished, now)


def levels_of(quantiles: Mapping[str, str]) -> list[tuple[float, datetime]]:
    """The distribution kept with a date: levels, rising, with their instants; empty for none."""
    return sorted((float(level), datetime.fromisoformat(at)) for level, at in quantiles.items())
