"""The part of a job's promise page that keeps itself up to date: how its date was last seen to stand."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_GET

from analytics.selectors.outlooks import outlook_of
from analytics.services.promises import promise_standing
from analytics.views.fresh import is_part, tag_of, tagged, unchanged
from jobs.models import Job
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role


@require_GET
@for_role(Role.VIEWER)
def promise_stands(request: ShopRequest, number: int) -> HttpResponse:
    """How the date of a job stands; 304 until that was worked out anew, or the date is another."""
    job, now = get_object_or_404(Job.objects.of(request.shop), number=number), timezone.now()
    if not is_part(request) or job.due_at is None:
        return redirect("analytics:promise", number=number)
    standing = promise_standing(job)
    stands = outlook_of(job, standing)
    facts = (job.pk, job.due_at, standing and standing.pk, stands and stands.worked_out_at, job.due_at < now)
    tag = tag_of(request, *facts)
    context = {"job": job, "standing": standing, "stands": stands, "outlook": {"made_at": now}}
    return unchanged(request, tag) or tagged(page(request, "analytics/_promise_stands.html", context), tag)
