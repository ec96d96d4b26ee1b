"""Questions about the clock: a part of the floor pages, a page of one's own, and a page of all of them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_GET, require_POST

from analytics.selectors.doubts import doubts
from analytics.services.answering import Asked, doubt_answer_right, doubt_answer_stopped
from jobs.models import Stage
from jobs.views.common import current_person, key_typed, user_of
from jobs.views.pages import page
from jobs.wall_clock import YEARS, instants_of
from shop.errors import BadInput, ShopError
from shop.models import Person, Role
from shop.permissions import ShopRequest, for_role
from shop.words import say_clock

ON_THE_FLOOR = 1
"""So many questions stand on a floor page at once; the next comes when it is answered."""


@require_GET
@for_role(Role.MAKER)
def floor_doubts(request: ShopRequest) -> HttpResponse:
    """The questions for whoever presses: a part for the floor pages, or a page where no script asks for it."""
    person = current_person(request)
    minute = int(timezone.now().timestamp() // 60)
    tag = f'"doubts-{request.shop.pk}-{request.shop.revision}-{person.pk if person else 0}-{minute}"'
    part = "X-Part" in request.headers
    if part and request.headers.get("If-None-Match") == tag:
        return HttpResponse(status=304, headers={"ETag": tag})
    response = _part(request, person) if part else _own_page(request, person)
    response["ETag"] = tag
    response["Cache-Control"] = "private, no-cache"
    response["Vary"] = "Cookie, X-Part"
    return response


@require_GET
@for_role(Role.PLANNER)
def doubt_list(request: ShopRequest) -> HttpResponse:
    """All the shop's open questions about the clock."""
    found = doubts(request.shop, timezone.now())
    return page(request, "analytics/doubts.html", {"doubts": found, "for_all": True})


@require_POST
@for_role(Role.MAKER)
def doubt_answer(request: ShopRequest) -> HttpResponse:
    """Answer one question."""
    sent = request.POST
    stage = get_object_or_404(Stage.objects.of(request.shop), pk=key_typed(sent.get("stage")))
    try:
        said = _answered(request, stage)
    except ShopError as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, said)
    if "X-Part" in request.headers:
        return _part(request, current_person(request))
    return redirect("analytics:doubt-list" if sent.get("for_all") else "analytics:doubts")


def _answered(request: ShopRequest, stage: Stage) -> str:
    """Write the answer down; what was done, in words."""
    sent, now = request.POST, timezone.now()
    starts_at = _instant(request, sent.get("starts_at"))
    said_by = current_person(request) if getattr(request, "device", None) else None
    asked = Asked(request.shop, stage, starts_at, now, said_by)
    if sent.get("answer") == "right":
        doubt_answer_right(asked, user=user_of(request))
        return f"{stage.name}: kept as it was clocked."
    typed = sent.get("other") if sent.get("answer") == "other" else sent.get("answer")
    stopped_at = _instant(request, typed, after=starts_at)
    finished = sent.get("finished") == "yes"
    doubt_answer_stopped(asked, user=user_of(request), stopped_at=stopped_at, finished=finished)
    return f"{stage.name}: {'finished' if finished else 'stopped'} at {say_clock(request.shop.local(stopped_at))}."


def _instant(request: ShopRequest, text: str | None, after: datetime | None = None) -> datetime:
    """An instant as a form sends it: with its zone, or on the shop's wall clock. Raises BadInput.

    Of two that the clock showed alike the first one `after` is meant.
    """
    try:
        at = parse_datetime((text or "").strip())
    except ValueError:
        at = None
    if at is None:
        raise BadInput("Give the time at which it stopped, as 2026-03-02 17:00.", field="other")
    if at.tzinfo:
        return at
    found = instants_of(at, request.shop.zone) if at.year in YEARS else []
    if not found:
        raise BadInput("That time was not on the shop’s clock. Give the time that it showed.", field="other")
    return next((one for one in found if after is None or one > after), found[0])


def _part(request: ShopRequest, person: Person | None) -> HttpResponse:
    return page(request, "analytics/_doubts.html", _context(request, person, ON_THE_FLOOR))


def _own_page(request: ShopRequest, person: Person | None) -> HttpResponse:
    return page(request, "analytics/doubts.html", _context(request, person))


def _context(request: ShopRequest, person: Person | None, most: int | None = None) -> dict[str, Any]:
    found = doubts(request.shop, timezone.now(), person)
    shown = found[:most]
    return {"doubts": shown, "more": len(found) - len(shown), "person": person, "in_part": most is not None}
