"""The daily breaks that people keep, as their clock shows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta

from analytics.engine.breaks import breaks_of, minutes_of_day
from analytics.selectors.signs import rows_of
from jobs.models import Interval, IntervalKind
from shop.models import Shop

YEAR = timedelta(days=365)
"""So long back the habits of a day are looked at."""

SITTING = timedelta(hours=12)
"""What is longer was left running, and says nothing of a day."""

Breaks = Mapping[int, tuple[tuple[time, time], ...]]
"""A person's daily breaks, local, by key."""

_kept: dict[int, tuple[object, Breaks]] = {}


def breaks_ahead(shop: Shop, now: datetime) -> Breaks:
    """The breaks to be reckoned with at `now` (aware): those that were kept until its midnight.

    A process keeps them for the day, so that all dates that are given on it rest on the same.
    """
    today = shop.local(now).date()
    name = (shop.created_at, shop.time_zone, today)
    kept = _kept.get(shop.pk)
    if kept is None or kept[0] != name:
        if len(_kept) > 8:
            _kept.clear()
        midnight = datetime.combine(today, time(), shop.zone).astimezone(UTC)
        kept = _kept[shop.pk] = (name, breaks_by_person(shop, midnight))
    return kept[1]


def breaks_by_person(shop: Shop, ends: datetime) -> Breaks:
    """The daily breaks that people keep, as a year of their sittings until `ends` shows."""
    spans: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    sittings = Interval.objects.of(shop).filter(
        kind=IntervalKind.HANDS_ON, person__isnull=False, starts_at__gte=ends - YEAR, ends_at__lte=ends
    )
    for row in rows_of(sittings):
        if row.person is not None and row.ends is not None and row.ends - row.starts < SITTING:
            spans[row.person].append((shop.local(row.starts), shop.local(row.ends)))
    return {person: breaks_of(minutes_of_day(mine)) for person, mine in spans.items()}
