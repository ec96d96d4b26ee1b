"""How the pages of jobs are rendered."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render

from shop.models import Role
from shop.permissions import ShopRequest


def page(
    request: ShopRequest, template: str, context: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    """A page that also knows what the log-in may do: `may_plan`, `may_clock`."""
    may = request.membership.may
    known = {"may_plan": may(Role.PLANNER), "may_clock": may(Role.MAKER)}
    return render(request, template, {**known, **(context or {})}, status=status)
