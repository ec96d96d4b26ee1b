"""The page of where a job's time went."""

from __future__ import annotations

import csv

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.selectors.job_time import job_time, time_csv_rows
from jobs.models import Job
from jobs.selectors.jobs import plain_cell
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def job_time_page(request: ShopRequest, number: int) -> HttpResponse:
    """Where one job's time went, as a picture and a table that adds up."""
    job = get_object_or_404(Job.objects.of(request.shop).select_related("shop", "customer"), number=number)
    return page(request, "analytics/job_time.html", {"job": job, "time": job_time(job, timezone.now())})


@require_GET
@for_role(Role.VIEWER)
def job_time_csv(request: ShopRequest, number: int) -> HttpResponse:
    """The table as a file for a spreadsheet."""
    job = get_object_or_404(Job.objects.of(request.shop).select_related("shop"), number=number)
    response = HttpResponse(
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="job-{job.number}-time.csv"'},
    )
    rows = time_csv_rows(job_time(job, timezone.now()))
    csv.writer(response).writerows([plain_cell(cell) for cell in row] for row in rows)
    return response
