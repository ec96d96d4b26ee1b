"""Pages of jobs and customers."""

from __future__ import annotations

import csv
from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.forms.enquiry import EnquiryForm
from jobs.forms.settings import CustomerForm
from jobs.models import Customer, Job, JobStatus, JobType, Stage, StageEdge, StageKind
from jobs.pictures.route import Node, Picture, draw_route
from jobs.routes import active_edges
from jobs.selectors.again import remakes
from jobs.selectors.jobs import (
    JobRow,
    customers_with_jobs,
    job_csv_rows,
    job_rows,
    job_search,
    status_counts,
    with_stages,
)
from jobs.selectors.notes import work_notes
from jobs.services.jobs import job_cancel, job_reopen
from jobs.services.stages import stage_add, stage_leave_out, stage_take_in
from jobs.stock import LOCAL_RULES
from jobs.views.pages import page
from jobs.words.jobs import cautions_of, driver_values, item_words, stage_rows
from shop.errors import ShopError
from shop.models import Role
from shop.permissions import ShopRequest, for_role

PER_PAGE = 50
STATUS_TABS = [("open", "Open"), *JobStatus.choices, ("all", "All")]


@require_GET
@for_role(Role.VIEWER)
def job_list(request: ShopRequest) -> HttpResponse:
    """The shop's jobs by due date, filtered."""
    asked = _asked(request)
    part = Paginator(with_stages(job_search(request.shop, **asked)), PER_PAGE).get_page(
        request.GET.get("page")
    )
    counts = status_counts(request.shop)
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "rows": job_rows(part.object_list, timezone.now()),
        "page": part,
        "tabs": [(key, label, counts[key]) for key, label in STATUS_TABS],
        "job_types": JobType.objects.of(request.shop),
        "asked": asked,
        "query": query.urlencode(),
        "any_jobs": counts["all"] > 0,
    }
    return page(request, "jobs/job_list.html", context)


@require_GET
@for_role(Role.VIEWER)
def job_csv(request: ShopRequest) -> HttpResponse:
    """The same list as a file for a spreadsheet."""
    jobs = with_stages(job_search(request.shop, **_asked(request)))
    response = HttpResponse(
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="jobs.csv"'},
    )
    csv.writer(response).writerows(job_csv_rows(job_rows(jobs, timezone.now())))
    return response


@require_GET
@for_role(Role.VIEWER)
def job_detail(request: ShopRequest, number: int) -> HttpResponse:
    """One job: its facts, items and route."""
    job = get_object_or_404(with_stages(Job.objects.of(request.shop)), number=number)
    row = JobRow(job, timezone.now())
    stages = list(job.stages.all())
    items = [item_words(item, request.shop) for item in job.items.all()]
    context = {
        "job": job,
        "row": row,
        "stages": stages,
        "items": items,
        "any_letters": any(item["letters"] for item in items),
        "stage_rows": stage_rows(stages, row.edges),
        "picture_label": f"Route of job {job.number}",
        "picture": job_picture(stages, row.edges),
        "kinds": StageKind.objects.of(request.shop),
        "cautions": cautions_of(row.stages),
        "local_rules": LOCAL_RULES,
        "driver_values": driver_values(job),
        "notes": work_notes(request.shop, job, timezone.now()),
        "again": remakes(request.shop, timezone.now(), job=job),
    }
    return page(request, "jobs/job_detail.html", context)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def job_edit(request: ShopRequest, number: int) -> HttpResponse:
    """Change a job's facts and items."""
    job = _job(request, number)
    before = _kept_names(job)
    form = EnquiryForm.of_request(request, request.shop, job)
    if form.is_valid() and (saved := form.save()):
        after = _kept_names(saved)
        told = [f"{name} taken in." for name in after if name not in before]
        told += [f"{name} left out." for name in before if name not in after]
        messages.success(request, " ".join([f"Job {saved.number} is saved.", *told]))
        return redirect("jobs:job", number=number)
    status = 422 if form.submitted else 200
    return page(request, "jobs/job_edit.html", {"job": job, "form": form}, status=status)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def job_cancel_page(request: ShopRequest, number: int) -> HttpResponse:
    """Ask, then cancel."""
    job = _job(request, number)
    if request.method == "GET":
        return page(request, "jobs/job_cancel.html", {"job": job})
    return _do(
        request, lambda: job_cancel(job), f"Job {number} is cancelled. It can be reopened here.", number
    )


@require_POST
@for_role(Role.PLANNER)
def job_reopen_press(request: ShopRequest, number: int) -> HttpResponse:
    """Take back a cancellation."""
    job = _job(request, number)
    return _do(request, lambda: job_reopen(job), f"Job {number} is open again.", number)


@require_POST
@for_role(Role.PLANNER)
def stage_add_press(request: ShopRequest, number: int) -> HttpResponse:
    """Add a stage to a job's route: after another one, beside it, or at the end."""
    job = _job(request, number)
    kind = get_object_or_404(StageKind.objects.of(request.shop), pk=_key(request.POST.get("kind")))
    how, _, place = request.POST.get("place", "").partition(":")
    other = get_object_or_404(job.stages.all(), pk=_key(place)) if place else None
    return _do(
        request,
        lambda: stage_add(
            job,
            kind,
            after=other if how == "after" else None,
            beside=other if how == "beside" else None,
            name=request.POST.get("name", "")[:80],
        ),
        f"{kind.name} is added.",
        number,
        anchor="route",
    )


@require_POST
@for_role(Role.PLANNER)
def stage_leave_out_press(request: ShopRequest, number: int, stage_id: int) -> HttpResponse:
    """Leave a stage out of a job."""
    stage = _stage(request, number, stage_id)
    done = f"{stage.name} is left out. It can be taken in again below."
    return _do(request, lambda: stage_leave_out(stage), done, number, anchor="route")


@require_POST
@for_role(Role.PLANNER)
def stage_take_in_press(request: ShopRequest, number: int, stage_id: int) -> HttpResponse:
    """Take a stage into a job again."""
    stage = _stage(request, number, stage_id)
    return _do(request, lambda: stage_take_in(stage), f"{stage.name} is taken in.", number, anchor="route")


@require_GET
@for_role(Role.VIEWER)
def customer_list(request: ShopRequest) -> HttpResponse:
    """The shop's customers."""
    q = request.GET.get("q", "").strip()[:120]
    part = Paginator(customers_with_jobs(request.shop, q), PER_PAGE).get_page(request.GET.get("page"))
    query = urlencode({"q": q}) if q else ""
    return page(request, "jobs/customer_list.html", {"page": part, "q": q, "query": query})


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def customer_detail(request: ShopRequest, customer_id: int) -> HttpResponse:
    """A customer with their jobs; planners may change the name and the contact."""
    customer = get_object_or_404(Customer.objects.of(request.shop), pk=customer_id)
    may_edit = request.membership.may(Role.PLANNER)
    form = CustomerForm(request.POST if request.method == "POST" else None, customer=customer)
    if request.method == "POST" and may_edit and form.is_valid() and form.save():
        messages.success(request, f"{customer.name} is saved.")
        return redirect("jobs:customer", customer_id=customer.pk)
    if request.method == "POST" and not may_edit:
        return for_role(Role.PLANNER)(lambda r: redirect("jobs:customer-list"))(request)
    jobs = with_stages(job_search(request.shop, status="all").filter(customer=customer))
    part = Paginator(jobs.order_by("-number"), PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "customer": Customer.objects.get(pk=customer.pk),
        "form": form,
        "page": part,
        "rows": job_rows(part.object_list, timezone.now()),
    }
    return page(request, "jobs/customer_detail.html", context, status=422 if form.errors else 200)


def job_picture(stages: list[Stage], edges: list[StageEdge]) -> Picture:
    """The picture of a job's route without what is left out."""
    nodes = [
        Node(stage.pk, stage.name, stage.get_state_display(), stage.state)
        for stage in stages
        if not stage.left_out
    ]
    return draw_route(nodes, active_edges(stages, edges))


def _asked(request: ShopRequest) -> dict[str, Any]:
    """What the list's filters ask for; what makes no sense asks for nothing."""
    status = request.GET.get("status", "open")
    known = {key for key, _ in STATUS_TABS}
    return {
        "status": status if status in known else "open",
        "job_type": _key(request.GET.get("type")) or None,
        "q": request.GET.get("q", "").strip()[:120],
    }


def _key(text: str | None) -> int:
    """A row's key as a page sends it; 0, which is no row's, for anything else."""
    return int(text) if text and text.isdecimal() and len(text) < 18 else 0


def _job(request: ShopRequest, number: int) -> Job:
    jobs = Job.objects.of(request.shop).select_related("shop", "customer", "job_type", "process", "finish")
    return get_object_or_404(jobs, number=number)


def _stage(request: ShopRequest, number: int, stage_id: int) -> Stage:
    stages = Stage.objects.of(request.shop).select_related("job__shop", "shop")
    return get_object_or_404(stages, pk=stage_id, job__number=number)


def _do(
    request: ShopRequest, act: Callable[[], object], done: str, number: int, *, anchor: str = ""
) -> HttpResponse:
    """Carry out a press and go back to the job, saying what was done or why it was refused."""
    try:
        act()
    except ShopError as refused:
        messages.error(request, refused.message)
    else:
        messages.success(request, done)
    response = redirect("jobs:job", number=number)
    if anchor:
        response["Location"] += f"#{anchor}"
    return response


def _kept_names(job: Job) -> list[str]:
    return list(job.stages.filter(left_out=False).values_list("name", flat=True))
