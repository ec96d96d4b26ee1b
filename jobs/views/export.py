"""The page on which stage times are taken out, and the files."""

from __future__ import annotations

from datetime import date
from typing import cast

from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.views.decorators.http import require_GET

from jobs.exporting.files import TYPES, export_chunks
from jobs.exporting.selecting import Period, stages_within
from shop.errors import BadInput
from shop.models import Role
from shop.permissions import ShopRequest, for_role
from shop.views.page import page


@require_GET
@for_role(Role.PLANNER)
def export(request: ShopRequest) -> HttpResponse:
    """Choose the days and the kind of file."""
    return _page(request)


@require_GET
@for_role(Role.PLANNER)
def export_file(request: ShopRequest, ending: str) -> HttpResponse:
    """The file, made while it is sent."""
    if ending not in TYPES:
        raise Http404("Stage times are given as CSV, XLSX or XES.")
    try:
        period = Period(_day(request, "from"), _day(request, "to"))
    except BadInput as bad:
        return _page(request, bad.message)
    answer = StreamingHttpResponse(export_chunks(request.shop, ending, period), content_type=TYPES[ending])
    answer["Content-Disposition"] = f'attachment; filename="timings-{request.shop.slug}.{ending}"'
    answer["Cache-Control"] = "private, no-store"
    return cast(HttpResponse, answer)  # a view's guard asks for no more than what both have


def _page(request: ShopRequest, problem: str = "") -> HttpResponse:
    context = {
        "problem": problem,
        "stages": stages_within(request.shop, Period()).count(),
        "first": request.GET.get("from", ""),
        "last": request.GET.get("to", ""),
    }
    return page(request, "jobs/export.html", context, 422 if problem else 200)


def _day(request: ShopRequest, name: str) -> date | None:
    """The day typed, None for none. Raises BadInput."""
    text = request.GET.get(name, "").strip()
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise BadInput(f"{text!r} is no day. Write it as 2026-03-02.", field=name) from None
