"""Where somebody begins."""

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET

from shop.models import Membership, Role
from shop.selectors import has_owner


@require_GET
def home(request: HttpRequest) -> HttpResponse:
    """To the set-up of a new shop, the log-in, the floor (makers) or the jobs (everybody else)."""
    if not request.user.is_authenticated:
        return redirect_to_login(request.get_full_path()) if has_owner() else redirect("shop:setup")
    membership: Membership | None = request.membership  # type: ignore[attr-defined]
    if membership is None:
        return redirect("shop:setup")
    return redirect("jobs:floor" if membership.role == Role.MAKER else "jobs:job-list")
