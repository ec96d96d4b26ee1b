"""Pages of job types, their routes, and kinds of stage."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.forms.fields import say_minutes
from jobs.forms.route import RouteDraft
from jobs.forms.settings import JobTypeForm, StageKindForm
from jobs.models import EdgeKind, JobType, Needed, StageKind
from jobs.pictures.route import Node, Picture, draw_route
from jobs.selectors.jobs import job_types_with_counts
from jobs.services.routes import (
    check_route,
    job_type_rename,
    job_type_retire,
    job_type_unsuit,
    route_replace,
)
from jobs.views.pages import page
from shop.errors import BadInput
from shop.models import Process, Role
from shop.permissions import ShopRequest, for_role


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def job_types(request: ShopRequest) -> HttpResponse:
    """The job types; planners may make one."""
    if request.method == "POST":
        return _job_type_make(request)
    context = {"job_types": job_types_with_counts(request.shop), "form": JobTypeForm(shop=request.shop)}
    return page(request, "jobs/job_types.html", context)


@for_role(Role.PLANNER)
def _job_type_make(request: ShopRequest) -> HttpResponse:
    form = JobTypeForm(request.POST, shop=request.shop)
    if form.is_valid() and (job_type := form.save()):
        messages.success(request, f"{job_type.name} is made. This is its route.")
        return redirect("jobs:job-type", job_type_id=job_type.pk)
    context = {"job_types": job_types_with_counts(request.shop), "form": form}
    return page(request, "jobs/job_types.html", context, status=422)


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def job_type(request: ShopRequest, job_type_id: int) -> HttpResponse:
    """A job type's route as a picture; planners may change it."""
    row = _job_type(request, job_type_id)
    if request.method == "POST":
        return _route_press(request, row)
    return _route_page(request, row, RouteDraft.of_job_type(row))


@for_role(Role.PLANNER)
def _route_press(request: ShopRequest, row: JobType) -> HttpResponse:
    """Change the draft as pressed, or save it."""
    kinds = list(StageKind.objects.of(request.shop))
    draft = RouteDraft()
    try:
        draft = RouteDraft.of_post(request.POST, kinds)
        if draft.press(request.POST, kinds):
            return _route_page(request, row, draft, changed=True)
        route_replace(row, *draft.to_write())
    except BadInput as bad:
        return _route_page(request, row, draft, problem=bad.message, changed=True, status=422)
    messages.success(request, f"The route of {row.name} is saved. Jobs made before keep theirs.")
    return redirect("jobs:job-type", job_type_id=row.pk)


@require_POST
@for_role(Role.PLANNER)
def job_type_rename_press(request: ShopRequest, job_type_id: int) -> HttpResponse:
    """Give a job type another name."""
    row = _job_type(request, job_type_id)
    try:
        job_type_rename(row, request.POST.get("name", ""))
        messages.success(request, "The name is saved.")
    except BadInput as bad:
        messages.error(request, bad.message)
    return redirect("jobs:job-type", job_type_id=job_type_id)


@require_POST
@for_role(Role.PLANNER)
def job_type_unsuit_press(request: ShopRequest, job_type_id: int) -> HttpResponse:
    """Say which processes do not suit a job type."""
    row = _job_type(request, job_type_id)
    keys = [int(key) for key in request.POST.getlist("unsuited") if key.isdecimal() and len(key) < 19]
    chosen = list(Process.objects.of(request.shop).filter(pk__in=keys))
    job_type_unsuit(row, chosen)
    names = ", ".join(one.name for one in chosen)
    messages.success(
        request, f"{names}: not suited to {row.name}." if names else f"Every process suits {row.name}."
    )
    return redirect("jobs:job-type", job_type_id=row.pk)


@require_POST
@for_role(Role.PLANNER)
def job_type_retire_press(request: ShopRequest, job_type_id: int) -> HttpResponse:
    """Offer a job type no more, or again."""
    row = _job_type(request, job_type_id)
    row = job_type_retire(row, active=request.POST.get("active") == "1")
    told = "is offered for new jobs again" if row.active else "is no longer offered for new jobs"
    messages.success(request, f"{row.name} {told}.")
    return redirect("jobs:job-types")


@require_GET
@for_role(Role.VIEWER)
def stage_kinds(request: ShopRequest) -> HttpResponse:
    """The shop's kinds of stage."""
    kinds = StageKind.objects.of(request.shop).select_related("skill")
    rows = [(kind, say_minutes(kind.hold_min)) for kind in kinds]
    return page(request, "jobs/stage_kinds.html", {"kinds": rows})


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def stage_kind(request: ShopRequest, kind_id: int | None = None) -> HttpResponse:
    """Change a kind of stage, or make one."""
    kind = get_object_or_404(StageKind.objects.of(request.shop), pk=kind_id) if kind_id else None
    form = StageKindForm(request.POST if request.method == "POST" else None, shop=request.shop, kind=kind)
    if form.is_valid() and (saved := form.save()):
        messages.success(request, f"{saved.name} is saved.")
        return redirect("jobs:stage-kinds")
    elements = list(kind.elements.all()) if kind else []
    context = {
        "form": form,
        "kind": kind,
        "elements": [one for one in elements if one.active],
        "retired_elements": [one for one in elements if not one.active],
    }
    return page(request, "jobs/stage_kind.html", context, status=422 if form.errors else 200)


# Short enough for a box of the picture.
NOTES = {
    Needed.PRINTED: "if it is printed",
    Needed.LAMINATED: "if it is laminated",
    Needed.HELD: "if it has a hold",
    Needed.ON_REQUEST: "when asked for",
}


def route_picture(draft: RouteDraft) -> Picture | None:
    """The draft as a picture; None while it cannot be drawn, since it has a circle or minutes that are none."""
    try:
        stages, edges = draft.to_write()
        check_route(stages, edges)
        nodes = [
            Node(i, row.label, NOTES.get(row.needed, ""), row.needed) for i, row in enumerate(draft.rows)
        ]
        return draw_route(nodes, draft.links())
    except BadInput:
        return None


def _job_type(request: ShopRequest, job_type_id: int) -> JobType:
    return get_object_or_404(JobType.objects.of(request.shop).select_related("shop"), pk=job_type_id)


def _route_page(
    request: ShopRequest, row: JobType, draft: RouteDraft, *, status: int = 200, **more: Any
) -> HttpResponse:
    context = {
        "job_type": row,
        "draft": draft,
        "picture": route_picture(draft),
        "kinds": StageKind.objects.of(request.shop),
        "needed": Needed.choices,
        "moments": EdgeKind.choices,
        "picture_label": f"Route of {row.name}",
        "processes": Process.objects.of(request.shop).filter(active=True),
        "unsuited": set(row.unsuited.values_list("pk", flat=True)),
        **more,
    }
    return page(request, "jobs/job_type.html", context, status=status)
