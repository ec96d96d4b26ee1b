"""Pages of stage durations and of the trade defaults."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_GET

from analytics.charts import spread_figure
from analytics.engine.trade import TYPICAL
from analytics.pictures.durations import scale_of
from analytics.selectors.durations import KindSpreads, Period, default_rows, kind_spreads, period_samples
from analytics.selectors.models import learned
from analytics.selectors.samples import unused_counts
from jobs.models import JobType, StageKind
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role

PERIODS = (("30", "30 days"), ("90", "90 days"), ("365", "a year"), ("all", "all time"))
USUAL_PERIOD = "365"
PER_PAGE = 100


@require_GET
@for_role(Role.VIEWER)
def dashboard(request: ShopRequest) -> HttpResponse:
    """How long stages took, by job type, with their spread."""
    today = request.shop.local(timezone.now()).date()
    days, period = period_asked(request, today)
    found = kind_spreads(request.shop, period)
    chosen = _chosen(found, request.GET.get("kind"))
    scale = scale_of((one.whole.p10, one.whole.p90) for one in found)
    strips = [scale.strip(one.whole.p10, one.whole.p50, one.whole.p80, one.whole.p90) for one in found]
    context = {
        "periods": PERIODS,
        "days": days,
        "period": period,
        "found": found,
        "rows": list(zip(found, strips, strict=True)),
        "ticks": scale.ticks,
        "chosen": chosen,
        "figure": spread_figure(chosen.groups, waits=chosen.kind.is_hold) if chosen else None,
        "unused": unused_counts(request.shop),
    }
    return page(request, "analytics/durations.html", context)


@require_GET
@for_role(Role.VIEWER)
def dashboard_jobs(request: ShopRequest) -> HttpResponse:
    """The stages behind a bar, each with its job."""
    shop = request.shop
    kind = get_object_or_404(StageKind.objects.of(shop), pk=_key(request, "kind"))
    job_type = get_object_or_404(JobType.objects.of(shop), pk=_key(request, "type"))
    _, period = period_asked(request, shop.local(timezone.now()).date(), usual="all")
    samples = period_samples(shop, period, kind.pk, job_type.pk)
    part = Paginator(samples, PER_PAGE).get_page(request.GET.get("page"))
    query = request.GET.copy()
    query.pop("page", None)
    context = {"kind": kind, "job_type": job_type, "period": period, "page": part, "query": query.urlencode()}
    return page(request, "analytics/durations_jobs.html", context)


@require_GET
@for_role(Role.VIEWER)
def defaults(request: ShopRequest) -> HttpResponse:
    """The trade defaults, and what the shop's clock says instead."""
    rows = default_rows(request.shop, learned(request.shop))
    return page(request, "analytics/defaults.html", {"rows": rows, "typical": TYPICAL})


def _key(request: HttpRequest, name: str) -> int:
    text = request.GET.get(name, "")
    return int(text) if text.isdecimal() and len(text) < 18 else 0


def period_asked(request: HttpRequest, today: date, usual: str = USUAL_PERIOD) -> tuple[str, Period]:
    """The period asked for: two dates, or a number of days until today."""
    first, last = (_date(request.GET.get(name)) for name in ("from", "to"))
    if first or last:
        return "", Period(first, last)
    days = request.GET.get("days", usual)
    if days not in dict(PERIODS):
        days = usual
    return days, Period() if days == "all" else Period(today - timedelta(days=int(days) - 1), today)


def _date(text: str | None) -> date | None:
    try:
        return parse_date(text or "")
    except ValueError:
        return None


def _chosen(found: list[KindSpreads], asked: Any) -> KindSpreads | None:
    """The kind asked for, else the one that took the most minutes; a wait only where there is nothing else."""
    by_key = {str(one.kind.pk): one for one in found}
    return by_key.get(str(asked)) or max(
        found, key=lambda one: (not one.kind.is_hold, one.minutes), default=None
    )
