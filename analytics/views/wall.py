"""The board on the wall: one page that asks every second whether anything is new, and mostly hears that nothing is."""

from __future__ import annotations

from django.http import HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.board import board_of
from analytics.views.fresh import is_part, tagged, unchanged
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def wall(request: ShopRequest) -> HttpResponse:
    """The board: the whole page, or with X-Part its moving part; 304 where the reader has it already."""
    board = board_of(request.shop, timezone.now())
    known = unchanged(request, board.tag)
    if known is not None:
        return known
    if is_part(request):
        return tagged(HttpResponse(board.html), board.tag)
    return tagged(page(request, "analytics/wall.html", {"board": board}), board.tag)
