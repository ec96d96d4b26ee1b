"""Pages of a job's forecast: what is left of it, and why a stage's forecast is what it is."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.pictures.job_forecast import Bar, bars_picture, steps_picture
from analytics.selectors.explaining import PartReasons, stage_reasons
from analytics.selectors.job_forecast import JobForecast, StageRow, job_forecast, jobs_to_forecast
from analytics.selectors.models import learned
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def job_forecast_page(request: ShopRequest, number: int) -> HttpResponse:
    """Each stage of one job with its forecast, what was clocked, and what is left."""
    job = get_object_or_404(jobs_to_forecast(request.shop), number=number)
    found = job_forecast(job, timezone.now())
    context = {"job": job, "found": found, "picture": bars_picture(_bars(found))}
    return page(request, "analytics/job_forecast.html", context)


@require_GET
@for_role(Role.VIEWER)
def stage_forecast_page(request: ShopRequest, number: int, stage_id: int) -> HttpResponse:
    """One stage's forecast in sentences, and what moved it away from the usual."""
    job = get_object_or_404(jobs_to_forecast(request.shop), number=number)
    known = learned(request.shop)
    found = job_forecast(job, timezone.now(), known)
    row = next((row for row in found.rows if row.stage.pk == stage_id), None)
    if row is None:
        raise Http404(f"Job {number} has no such stage, or it is left out.")
    reasons = stage_reasons(found, row, known)
    context = {
        "job": job,
        "found": found,
        "row": row,
        "stage": row.stage,
        "reasons": reasons,
        "parts": [(part, _steps(part)) for part in reasons.parts],
    }
    return page(request, "analytics/stage_forecast.html", context)


def _bars(found: JobForecast) -> list[Bar]:
    """The stages at which somebody or a machine works; holds would make the others too short to see."""
    return [_bar(row) for row in found.rows if not row.is_hold]


def _bar(row: StageRow) -> Bar:
    if row.left is None:
        return Bar(row.stage.name, row.clocked)
    ends = (row.clocked + left for left in (row.left.p10, row.left.p50, row.left.p80, row.left.p90))
    return Bar(row.stage.name, row.clocked, *ends)


def _steps(part: PartReasons) -> object:
    names = [move.name.partition(" (")[0] for move in part.moves]
    return steps_picture(part.explanation, names, "The usual stage", "This one")
