"""How the open jobs stood when they were last worked out, which dates slip, and who was told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Count, Max, Min, Prefetch, Q, Sum

from analytics.models import JobOutlook, Listener, Promise, Slip, SlipKind, Telling, TellingState
from analytics.selectors.backlog import OPEN
from jobs.models import Job
from shop.models import Shop

FRESH = timedelta(minutes=5)
"""For how long an outlook is good if nothing happens: time itself makes a date less likely."""

SHOWN = 30
"""Slips of the past that the page shows."""

_OPEN_SLIPS = Count("pk", filter=Q(cleared_at=None))


@dataclass(frozen=True)
class Watched:
    """An open job, its date, and how it stands.

    outlook: None where nothing could be worked out; why: then the reason, empty where it was not tried yet.
    """

    job: Job
    promise: Promise | None
    outlook: JobOutlook | None
    slip: Slip | None
    why: str = ""

    @property
    def date(self) -> datetime | None:
        """The date that is to be kept: the promised one, else the one that the job is set down for."""
        return self.promise.promised_at if self.promise else self.job.due_at

    @property
    def half(self) -> datetime | None:
        """When it is finished half of the time."""
        return quantile_of(self.outlook, 0.5)

    @property
    def likely(self) -> datetime | None:
        """When it is finished eight times in ten."""
        return quantile_of(self.outlook, 0.8)


def outlooks(shop: Shop) -> dict[int, JobOutlook]:
    """By the job's key, how each open job stood when it was last worked out; not those that could not be."""
    return {row.job_id: row for row in JobOutlook.objects.of(shop).filter(runs__gt=0)}


def outlook_of(job: Job, standing: Promise | None) -> JobOutlook | None:
    """How a job was last seen to stand; None if that was before its standing date was given, or it has none."""
    rows = JobOutlook.objects.filter(Q(chance__isnull=False) | ~Q(why=""), job=job, shop=job.shop_id)
    return rows.filter(worked_out_at__gte=standing.made_at).first() if standing else rows.first()


def outlooks_now(shop: Shop, now: datetime) -> dict[int, JobOutlook] | None:
    """`outlooks`, if they are of the shop as it stands now; None if they are not."""
    return None if watch_is_due(shop, now) else outlooks(shop)


def watch_is_due(shop: Shop, now: datetime) -> bool:
    """Whether something happened since the open jobs were last worked out, or they were so a while ago."""
    rows = JobOutlook.objects.of(shop)
    last = rows.aggregate(revision=Min("revision"), at=Min("worked_out_at"))
    if last["revision"] is None:
        open_jobs = Job.objects.of(shop).filter(status__in=OPEN)
        return open_jobs.exists() or Slip.objects.of(shop).filter(cleared_at=None).exists()
    revision = Shop.objects.values_list("revision", flat=True).get(pk=shop.pk)
    return bool(last["revision"] < revision or abs(now - last["at"]) >= FRESH)


def standing_promises(shop: Shop) -> dict[int, Promise]:
    """By the job's key, the promise that stands of each open job: its newest that was not taken back."""
    rows = Promise.objects.of(shop).filter(withdrawn_at=None, job__status__in=OPEN)
    rows = rows.defer("snapshot", "quote", "quantiles").order_by("made_at", "pk")
    return {row.job_id: row for row in rows}


def watched(shop: Shop) -> list[Watched]:
    """Every open job: those whose promise slips first, then by date, then by number."""
    jobs = Job.objects.of(shop).filter(status__in=OPEN).select_related("customer", "job_type")
    found = {row.job_id: row for row in JobOutlook.objects.of(shop)}
    promises, slips = standing_promises(shop), slipping(shop)
    rows = []
    for job in jobs.order_by("number"):
        promise, outlook = promises.get(job.pk), found.get(job.pk)
        slip = slips.get(promise.pk) if promise else None
        known = outlook if outlook and outlook.runs else None
        rows.append(Watched(job, promise, known, slip, outlook.why if outlook else ""))
    return sorted(rows, key=_order)


def _order(row: Watched) -> tuple[bool, bool, float, int]:
    return row.slip is None, row.date is None, row.date.timestamp() if row.date else 0.0, row.job.number


def slips_open(shop: Shop) -> dict[tuple[int, str], Slip]:
    """By the promise's key and what is wrong with it, the slips that are open."""
    return {(slip.promise_id, slip.kind): slip for slip in Slip.objects.of(shop).filter(cleared_at=None)}


def slipping(shop: Shop) -> dict[int, Slip]:
    """By the promise's key, its open slip: that its job cannot be done comes before that it may be late."""
    found: dict[int, Slip] = {}
    for (promise, kind), slip in slips_open(shop).items():
        if promise not in found or kind == SlipKind.STUCK:
            found[promise] = slip
    return found


def jobs_slipping(shop: Shop) -> set[int]:
    """The jobs, by key, whose promise slips now."""
    return set(Slip.objects.of(shop).filter(cleared_at=None).values_list("promise__job", flat=True))


def slipping_count(shop: Shop) -> int:
    """How many promises of open jobs slip now. One small query: for every page."""
    rows = Slip.objects.of(shop).filter(cleared_at=None, promise__job__status__in=OPEN)
    return rows.aggregate(count=Count("promise", distinct=True))["count"] or 0


def outlooks_stamp(shop: Shop) -> str:
    """Of which state the stored outlooks are: another one as soon as the open jobs were worked out anew. One query."""
    rows = JobOutlook.objects.of(shop)
    last = rows.aggregate(at=Max("worked_out_at"), revision=Max("revision"), jobs=Count("pk"))
    return f"{last['at']} {last['revision']} {last['jobs']}"


def watch_stamp(shop: Shop) -> str:
    """Of which state the page of the watch is: the outlooks, the slips, and what was told. Three queries."""
    slips = Slip.objects.of(shop).aggregate(last=Max("pk"), over=Max("cleared_at"), open=_OPEN_SLIPS)
    told = Telling.objects.of(shop).aggregate(last=Max("pk"), tries=Sum("tries"), sent=Max("sent_at"))
    return f"{outlooks_stamp(shop)} {slips} {told}"


def slips_past(shop: Shop) -> list[Slip]:
    """The latest slips, open or not, with who was told of them."""
    told = Telling.objects.select_related("listener")
    rows = Slip.objects.of(shop).select_related("promise__job").defer("promise__snapshot", "promise__quote")
    return list(rows.prefetch_related(Prefetch("tellings", told))[:SHOWN])


def listeners(shop: Shop) -> list[tuple[Listener, Telling | None]]:
    """Who asked to be told, each with the last message to them that was sent or failed."""
    tried = Telling.objects.of(shop).filter(~Q(error="") | Q(state=TellingState.SENT))
    last = {one.listener_id: one for one in tried.order_by("pk")}
    return [(row, last.get(row.pk)) for row in Listener.objects.of(shop).select_related("made_by")]


def quantile_of(outlook: JobOutlook | None, p: float) -> datetime | None:
    """One of the instants that an outlook keeps, UTC."""
    said = outlook.quantiles.get(f"{p:g}") if outlook else None
    return datetime.fromisoformat(said) if said else None
