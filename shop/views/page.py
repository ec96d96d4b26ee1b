"""How the shop's pages are rendered, and how something is taken back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render

from shop.models import Role
from shop.permissions import ShopRequest

_UNDO = "undo"


def page(
    request: ShopRequest, template: str, context: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    """A page that also knows what the log-in may do (`may_own`, `may_plan`) and what can be taken back."""
    may = request.membership.may
    whole = request.method == "GET" and "X-Part" not in request.headers  # a part that is polled shows no undo
    known = {
        "may_own": may(Role.OWNER),
        "may_plan": may(Role.PLANNER),
        "undo": request.session.pop(_UNDO, None) if whole else None,
    }
    return render(request, template, {**known, **(context or {})}, status=status)


def offer_undo(request: ShopRequest, said: str, url: str, fields: Sequence[tuple[str, str]] = ()) -> None:
    """Say on the next page what was done, with a press that posts `fields` to `url` to take it back."""
    request.session[_UNDO] = {"said": said, "url": url, "fields": [list(pair) for pair in fields]}
