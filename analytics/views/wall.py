"""The board on the wall: one page that asks every second whether anything is new, and mostly hears that nothing is."""

from __future__ import annotations

from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.board import board_of
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def wall(request: ShopRequest) -> HttpResponse:
    """The board: the whole page, or with X-Part its moving part; 304 where the reader has it already."""
    board = board_of(request.shop, timezone.now())
    part = "X-Part" in request.headers
    headers = {"ETag": board.tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, X-Part"}
    if part and request.headers.get("If-None-Match") == board.tag:
        return HttpResponse(status=304, headers=headers)
    if part:
        return HttpResponse(board.html, headers=headers)
    response = page(request, "analytics/wall.html", {"board": board})
    for name, value in headers.items():
        response[name] = value
    return response
