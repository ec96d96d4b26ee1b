"""Where somebody begins."""

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import NoReverseMatch, reverse
from django.views.decorators.http import require_GET

from shop.models import Device, Membership, Purpose, Role
from shop.selectors import has_owner


@require_GET
def home(request: HttpRequest) -> HttpResponse:
    """To the set-up of a new shop, the log-in, the floor (makers), the wall (its screen) or the jobs."""
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path()) if has_owner() else redirect("shop:setup")
    membership: Membership | None = request.membership  # type: ignore[attr-defined]
    if membership is None:
        return redirect("shop:setup")
    device: Device | None = request.device  # type: ignore[attr-defined]
    if device is not None and device.purpose == Purpose.WALL:
        return redirect(_wall())
    return redirect("jobs:floor" if membership.role == Role.MAKER else "jobs:job-list")


def _wall() -> str:
    """The board for a screen across the room; the jobs in an installation that has none."""
    try:
        return reverse("analytics:wall")
    except NoReverseMatch:
        return reverse("jobs:job-list")
