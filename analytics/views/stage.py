"""The page of what is known of one kind of stage."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.selectors.stage_kinds import LATEST, kind_view
from jobs.models import StageKind
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def stage_kind(request: ShopRequest, key: str) -> HttpResponse:
    """How long a kind of stage takes, what goes wrong at it, and how long its holds lay."""
    kind = get_object_or_404(StageKind.objects.of(request.shop).select_related("shop"), key=key)
    found = kind_view(kind, timezone.now())
    words = found.usual.words(kind) if found.usual.n else []
    return page(
        request, "analytics/stage.html", {"found": found, "kind": kind, "usual": words, "latest": LATEST}
    )
