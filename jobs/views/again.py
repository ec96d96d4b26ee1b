"""Pages of work done again: the list with what it came to, and recording one afterwards."""

from __future__ import annotations

from datetime import datetime
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.forms.again import PRESETS, AgainForm, PeriodForm, period_of
from jobs.models import Job, JobStatus
from jobs.selectors.again import Remake, again_csv_rows, remakes, total, totals_by_cause
from jobs.views.common import csv_answer, current_person, user_of
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role

PER_PAGE = 50


@require_GET
@for_role(Role.VIEWER)
def again(request: ShopRequest) -> HttpResponse:
    """Every re-make of a period, and what each cause came to."""
    now = timezone.now()
    found, form, preset = _asked(request, now)
    part = Paginator(found, PER_PAGE).get_page(request.GET.get("page"))
    query = request.GET.copy()
    query.pop("page", None)
    sums = totals_by_cause(found)
    context = {
        "page": part,
        "totals": sums,
        "most": max((one.minutes for one in sums), default=0.0) or 1.0,
        "whole": total(found),
        "form": form,
        "presets": PRESETS.items(),
        "preset": preset,
        "query": query.urlencode(),
        "job_problem": _job_problem(request),
    }
    return page(request, "jobs/again.html", context, 422 if form.errors else 200)


@require_GET
@for_role(Role.VIEWER)
def again_csv(request: ShopRequest) -> HttpResponse:
    """The same list as a file for a spreadsheet."""
    found, _, _ = _asked(request, timezone.now())
    return csv_answer("done-again.csv", again_csv_rows(found))


@require_GET
@for_role(Role.MAKER)
def again_job(request: ShopRequest) -> HttpResponse:
    """From a job's number to its form."""
    number = request.GET.get("number", "").strip()
    if (
        number.isdecimal()
        and len(number) < 10
        and Job.objects.of(request.shop).filter(number=number).exists()
    ):
        return redirect("jobs:again-record", number=int(number))
    return redirect(f"{reverse('jobs:again')}?{urlencode({'missing': number[:20]})}#record")


@require_http_methods(["GET", "POST"])
@for_role(Role.MAKER)
def again_record(request: ShopRequest, number: int) -> HttpResponse:
    """Record that work of a job was, or is to be, done again."""
    job = get_object_or_404(Job.objects.of(request.shop).select_related("shop"), number=number)
    if job.status == JobStatus.CANCELLED:
        messages.error(request, f"Job {number} is cancelled. Reopen it, then record what was done again.")
        return redirect("jobs:job", number=number)
    form = AgainForm(
        request.POST if request.method == "POST" else None,
        job=job,
        now=timezone.now(),
        person=current_person(request),
    )
    if form.is_valid():
        problem = form.save(user_of(request))
        if not problem:
            messages.success(request, f"Recorded. Job {number} is done again from there on.")
            return redirect(f"{reverse('jobs:job', args=[number])}#again")
        form.add_error(None, problem)
    context = {"job": job, "form": form, "begun": form.fields["stage"].queryset.exists()}  # type: ignore[attr-defined]
    return page(request, "jobs/again_record.html", context, 422 if form.errors else 200)


def _asked(request: ShopRequest, now: datetime) -> tuple[list[Remake], PeriodForm, str]:
    period, form, preset = period_of(request.GET, request.shop.local(now).date())
    since, until = period.instants(request.shop)
    return remakes(request.shop, now, since=since, until=until), form, preset


def _job_problem(request: ShopRequest) -> str:
    if "missing" not in request.GET:
        return ""
    number = request.GET["missing"][:20]
    return f"There is no job {number}." if number else "Write the number of a job."
