"""Durations of a period, added up from the daily counts; and the trade defaults beside what was learned."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.urls import reverse

from analytics.charts import Spread
from analytics.engine import digest
from analytics.engine.trade import PARTS, TRADE, TYPICAL, PartDefault, defaults_for
from analytics.models import Sample, StageDay
from analytics.selectors.models import Learned
from jobs.models import JobType, StageKind
from shop.models import Shop


@dataclass(frozen=True)
class Period:
    """Local dates, both included; None for no bound."""

    first: date | None = None
    last: date | None = None

    @property
    def query(self) -> dict[str, str]:
        """The period as an address's query."""
        bounds = {"from": self.first, "to": self.last}
        return {key: day.isoformat() for key, day in bounds.items() if day is not None}


@dataclass(frozen=True)
class KindSpreads:
    """A stage kind's durations by job type, and all together. whole: of all its job types."""

    kind: StageKind
    n: int
    minutes: float
    groups: list[Spread]
    whole: Spread


def kind_spreads(shop: Shop, period: Period) -> list[KindSpreads]:
    """Each stage kind that finished in the period, with its job types; in the order of the kinds."""
    cells: dict[tuple[int, int], list[StageDay]] = defaultdict(list)
    for cell in _in_period(StageDay.objects.of(shop), period):
        cells[cell.kind_id, cell.job_type_id].append(cell)
    types = dict(JobType.objects.of(shop).values_list("pk", "name"))
    found = []
    for kind in StageKind.objects.of(shop):
        mine = {job_type: days for (one, job_type), days in cells.items() if one == kind.pk}
        if not mine:
            continue
        groups = [
            _spread(types[job_type], days, {"kind": kind.pk, "type": job_type, **period.query})
            for job_type, days in mine.items()
        ]
        every = [day for days in mine.values() for day in days]
        found.append(
            KindSpreads(
                kind,
                sum(group.n for group in groups),
                sum(day.minutes for day in every),
                sorted(groups, key=lambda group: (-group.n, group.name)),
                _spread(kind.name, every, {}),
            )
        )
    return found


def _in_period(cells: QuerySet[StageDay], period: Period) -> QuerySet[StageDay]:
    if period.first:
        cells = cells.filter(day__gte=period.first)
    if period.last:
        cells = cells.filter(day__lte=period.last)
    return cells


def _spread(name: str, days: list[StageDay], query: Mapping[str, object]) -> Spread:
    """The quantiles of these days together. query: of the page that lists what they are made of."""
    bins = digest.merge(digest.from_stored(day.bins) for day in days)
    at = {p: digest.quantile(bins, p) for p in (0.1, 0.5, 0.8, 0.9)}
    url = f"{reverse('analytics:dashboard-jobs')}?{urlencode(query)}"
    return Spread(name, sum(bins.values()), at[0.1], at[0.5], at[0.8], at[0.9], url)


def period_samples(shop: Shop, period: Period, kind: int | None, job_type: int | None) -> QuerySet[Sample]:
    """The samples behind a bar, the longest first, those not learned from included."""
    samples = Sample.objects.of(shop).select_related(
        "kind", "job_type", "stage__job__customer", "person", "machine"
    )
    if kind is not None:
        samples = samples.filter(kind=kind)
    if job_type is not None:
        samples = samples.filter(job_type=job_type)
    if period.first:
        samples = samples.filter(finished_at__gte=_midnight(shop, period.first))
    if period.last:
        samples = samples.filter(finished_at__lt=_midnight(shop, period.last + timedelta(days=1)))
    return samples.order_by("-finished_at", "-pk")


def _midnight(shop: Shop, day: date) -> datetime:
    return datetime.combine(day, time.min, tzinfo=shop.zone)


@dataclass(frozen=True)
class DefaultRow:
    """One part of a stock stage kind: its trade default, and what the shop has learned instead.

    typical, learned: median minutes at the typical drivers; learned is None where nothing was clocked.
    """

    name: str
    default: PartDefault
    typical: float
    n: float
    learned: float | None


def default_rows(shop: Shop, known: Learned) -> list[DefaultRow]:
    """The trade defaults of every stock stage kind, in the order of the kinds."""
    names = dict(StageKind.objects.of(shop).values_list("key", "name"))
    rows = []
    for key in sorted(TRADE, key=lambda one: (list(names).index(one) if one in names else len(names), one)):
        for part in PARTS:
            default = defaults_for(key, part)
            if not default.components:
                continue
            state = known.state(key, part)
            learned = float(known.forecast(key, part, TYPICAL, {}).quantile(0.5)) if state.n else None
            rows.append(DefaultRow(names.get(key, key), default, default.minutes(TYPICAL), state.n, learned))
    return rows
