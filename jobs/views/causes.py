"""Pages of the lists that a shop keeps: causes, and the elements of a kind of stage."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypedDict

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from jobs.models import Cause, Element, StageKind
from jobs.selectors.causes import causes_with_use
from jobs.services.causes import cause_create, cause_move, cause_retire, cause_update
from jobs.services.elements import (
    element_add,
    element_move,
    element_remove,
    element_rename,
    element_restore,
)
from shop.errors import BadInput
from shop.models import Role
from shop.permissions import ShopRequest, for_role
from shop.views.page import page

STEPS = {"up": -1, "down": 1}
WORDS = {"retire": "offered no more; what was clocked with it keeps it", "restore": "offered again"}


class CauseTyped(TypedDict):
    """A cause as it was typed in."""

    name: str
    pauses: bool
    remakes: bool


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def causes(request: ShopRequest) -> HttpResponse:
    """The causes with their use; a new one is added here."""
    typed: CauseTyped = {"name": "", "pauses": True, "remakes": False}
    problem = ""
    if request.method == "POST":
        typed = _cause_typed(request)
        try:
            made = cause_create(request.shop, **typed)
            messages.success(request, f"{made.name} is offered from now on.")
            return redirect("jobs:causes")
        except BadInput as bad:
            problem = bad.message
    rows = causes_with_use(request.shop, timezone.now())
    context = {
        "rows": [row for row in rows if row.cause.active],
        "retired": [row for row in rows if not row.cause.active],
        "typed": typed,
        "problem": problem,
    }
    return page(request, "jobs/causes.html", context, 422 if problem else 200)


@require_POST
@for_role(Role.PLANNER)
def cause_press(request: ShopRequest, cause_id: int) -> HttpResponse:
    """Change a cause, move it, retire it or take it back into use."""
    row = get_object_or_404(Cause.objects.of(request.shop).select_related("shop"), pk=cause_id)
    do = request.POST.get("do", "save")

    def change() -> str:
        if do in STEPS:
            cause_move(row, STEPS[do])
            return ""
        if do in ("retire", "restore"):
            cause_retire(row, active=do == "restore")
            return f"{row.name} is {WORDS[do]}."
        typed = _cause_typed(request)
        return f"{cause_update(row, **typed).name} is saved."

    return _do(request, change, f"{reverse('jobs:causes')}#cause-{row.pk}")


@require_POST
@for_role(Role.PLANNER)
def element_new(request: ShopRequest, kind_id: int) -> HttpResponse:
    """Add an element to a kind of stage."""
    kind = get_object_or_404(StageKind.objects.of(request.shop).select_related("shop"), pk=kind_id)
    name = request.POST.get("name", "")
    return _do(request, lambda: f"{element_add(kind, name).name} is added.", _elements_url(kind.pk))


@require_POST
@for_role(Role.PLANNER)
def element_press(request: ShopRequest, element_id: int) -> HttpResponse:
    """Rename an element, move it, remove it or take it back into use."""
    rows = Element.objects.of(request.shop).select_related("kind__shop", "shop")
    row = get_object_or_404(rows, pk=element_id)
    do = request.POST.get("do", "save")

    def change() -> str:
        if do in STEPS:
            element_move(row, STEPS[do])
            return ""
        if do == "remove":
            element_remove(row)
            return f"{row.name} is offered no more."
        if do == "restore":
            element_restore(row)
            return f"{row.name} is offered again."
        return f"{element_rename(row, request.POST.get('name', '')).name} is saved."

    return _do(request, change, _elements_url(row.kind_id))


def _elements_url(kind_id: int) -> str:
    return f"{reverse('jobs:stage-kind', args=[kind_id])}#elements"


def _cause_typed(request: ShopRequest) -> CauseTyped:
    sent = request.POST
    return {"name": sent.get("name", ""), "pauses": "pauses" in sent, "remakes": "remakes" in sent}


def _do(request: ShopRequest, change: Callable[[], str], to: str) -> HttpResponse:
    """Do it and say so, or say why not; then back to the list."""
    try:
        if said := change():
            messages.success(request, said)
    except BadInput as bad:
        messages.error(request, bad.message)
    return redirect(to)
