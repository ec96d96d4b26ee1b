"""Somebody's own estimate of a stage, from the job's page."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_POST

from jobs.forms.fields import read_minutes, say_minutes
from jobs.models import Stage
from jobs.services.estimates import estimate_remove, estimate_set
from shop.errors import ShopError
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_POST
@for_role(Role.PLANNER)
def estimate_press(request: ShopRequest, number: int, stage_id: int) -> HttpResponse:
    """Write an estimate down, or take it back; then back to the stage on its job's page."""
    stages = Stage.objects.of(request.shop).select_related("shop")
    stage = get_object_or_404(stages, pk=stage_id, job__number=number)
    try:
        if request.POST.get("do") == "remove":
            estimate_remove(stage)
            messages.success(request, f"The estimate of {stage.name} is taken back.")
        else:
            minutes = read_minutes(request.POST.get("minutes", ""))
            estimate_set(stage, minutes)
            messages.success(
                request, f"Your estimate of {stage.name} is kept: {say_minutes(round(minutes))}."
            )
    except ShopError as refused:
        messages.error(request, f"{stage.name}: {refused.message}")
    response = redirect("jobs:job", number=number)
    response["Location"] += f"#stage-{stage.pk}"
    return response
