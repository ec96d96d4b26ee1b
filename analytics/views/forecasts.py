"""Pages of how well the forecasts did."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.pictures.forecasts import bars_picture
from analytics.selectors.forecast_cases import (
    WHOLE,
    Asked,
    csv_rows,
    finished_since,
    misses,
    newest_run,
    worst,
)
from analytics.selectors.forecast_quality import ForecastQuality, forecast_quality
from analytics.views.durations import PERIODS, period_asked
from analytics.views.forecast_sections import sections
from analytics.words import forecasts as words
from jobs.models import Category, JobType, StageKind
from jobs.views.common import csv_answer, key_typed
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role

PER_PAGE = 25


@require_GET
@for_role(Role.VIEWER)
def forecasts(request: ShopRequest) -> HttpResponse:
    """How often stages and jobs were done within the time that was said, and how far the forecasts were off."""
    shop, run = request.shop, newest_run(request.shop)
    if run is None:
        return page(request, "analytics/forecasts.html", {"run": None, "walks": reverse("analytics:walks")})
    days, asked = _asked(request)
    found = forecast_quality(run, asked)
    context = {
        "run": run,
        "walks": reverse("analytics:walks"),
        "since": finished_since(run),
        "asked": asked,
        "days": days,
        "periods": PERIODS,
        "kinds": StageKind.objects.of(shop).exclude(category=Category.HOLD),
        "types": JobType.objects.of(shop),
        "query": asked.query(),
        "found": found,
    }
    return page(request, "analytics/forecasts.html", {**context, **(_said(found, asked) if found else {})})


@require_GET
@for_role(Role.VIEWER)
def forecast_cases(request: ShopRequest) -> HttpResponse:
    """The cases of a group, the worst misses first, each with its job."""
    run = newest_run(request.shop)
    _, asked = _asked(request)
    keys = worst(run, asked) if run else []
    part = Paginator(keys, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "run": run,
        "asked": asked,
        "query": asked.query(),
        "page": part,
        "misses": misses(run, list(part.object_list)) if run else [],
    }
    return page(request, "analytics/forecast_cases.html", context)


@require_GET
@for_role(Role.VIEWER)
def forecast_cases_csv(request: ShopRequest) -> HttpResponse:
    """The cases as a file for a spreadsheet, those that are not scored with their reason; the page without a walk."""
    run = newest_run(request.shop)
    if run is None:
        return redirect("analytics:forecasts")
    _, asked = _asked(request)
    return csv_answer("forecasts.csv", csv_rows(run, asked))


def _asked(request: ShopRequest) -> tuple[str, Asked]:
    """What the address asks for; 404 for a stage or a job type that the shop does not have."""
    shop, stage, job_type = request.shop, request.GET.get("stage", ""), request.GET.get("type", "")
    days, period = period_asked(request, shop.local(timezone.now()).date(), usual="all")
    kind = None
    if stage and stage != WHOLE:
        kind = get_object_or_404(StageKind.objects.of(shop), pk=key_typed(stage))
    of_type = get_object_or_404(JobType.objects.of(shop), pk=key_typed(job_type)) if job_type else None
    return days, Asked(period, kind, stage == WHOLE, of_type)


def _said(found: ForecastQuality, asked: Asked) -> dict[str, object]:
    """The page's sentences and pictures."""
    half, eight, nineteen = found.every.coverage
    parts = sections(found)
    return {
        "counted": words.say_counted(eight, asked.noun),
        "verdict": eight.verdict,
        "said": words.say_verdict(eight, asked.noun),
        "others": [words.say_counted(one, asked.noun) for one in (half, nineteen)],
        "worth": words.say_worth(eight.n, eight.worth, asked.noun),
        "errors": words.say_error(found.every.error, found.every.errors, asked.noun),
        "bias": words.say_bias(found.every.bias, asked.noun),
        "runs": words.say_runs(found.runs),
        "lean": words.LEANS[found.lean],
        "uniformity": words.say_uniformity(found.uniformity),
        "bars": bars_picture(found.histogram) if found.histogram else None,
        "sections": parts,
        "times": [f"{word} time" for word in words.TIMES.values()],
        "times_said": [word.replace("-", " ") for word in words.TIMES.values()],
        "odd": [group for part in parts for group in part.odd],
        "looked": sum(len(part.groups) - 1 for part in parts),
    }
