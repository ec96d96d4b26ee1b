"""Pages of the enquiry and its promise."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.models import Promise
from analytics.pictures import day_chances, finish_picture
from analytics.selectors.promises import promises_kept
from analytics.services.promising import (
    Outlook,
    now_to_the_minute,
    promise_accept,
    promise_compute,
    promise_take_back,
)
from jobs.forms.enquiry import EnquiryForm
from jobs.models import Job, JobStatus
from jobs.pages import page
from jobs.selectors import with_stages
from shop.errors import ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.words import CONFIDENCES, say_confidence, say_instant

STALE = timedelta(hours=12)
"""A date shown longer ago than this is computed anew before it is given."""

CAUSE_WORDS = {
    "attended": "work",
    "unattended": "the machine running or the print lying",
    "closed": "closed hours",
    "waiting for machine": "waiting for a machine",
    "waiting for person": "waiting for somebody free",
    "hold": "lying",
    "release": "waiting until it may begin",
}


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def enquiry(request: ShopRequest) -> HttpResponse:
    """A new enquiry, and those that wait for an answer."""
    form = EnquiryForm.of_request(request, request.shop)
    if form.is_valid() and (job := form.save()):
        return redirect("analytics:promise", number=job.number)
    waiting = with_stages(Job.objects.of(request.shop).filter(status=JobStatus.ENQUIRY)).order_by("-number")[
        :12
    ]
    context = {"form": form, "waiting": waiting}
    return page(request, "analytics/enquiry.html", context, status=422 if form.submitted else 200)


@require_GET
@for_role(Role.VIEWER)
def promise(request: ShopRequest, number: int) -> HttpResponse:
    """The date that a job would be finished by, and what it hangs on."""
    job = _job(request, number)
    context: dict[str, Any] = {"job": job, "promises": job.promises.select_related("made_by")}
    if job.status in (JobStatus.FINISHED, JobStatus.CANCELLED):
        return page(request, "analytics/promise.html", context)
    try:
        outlook = promise_compute(
            request.shop, job, now=now_to_the_minute(), confidence=_confidence(request.GET.get("confidence"))
        )
    except ShopError as refused:
        return page(request, "analytics/promise.html", {**context, "refused": refused}, status=422)
    return page(request, "analytics/promise.html", {**context, **_shown(request.shop, outlook)})


@require_POST
@for_role(Role.PLANNER)
def promise_give(request: ShopRequest, number: int) -> HttpResponse:
    """Give the date that was shown, if the work still stands as it did then."""
    job = _job(request, number)
    made_at = parse_datetime(request.POST.get("made_at", "") or "")
    now = timezone.now()
    confidence = _confidence(request.POST.get("confidence"))
    if made_at is None or timezone.is_naive(made_at) or not now - STALE <= made_at <= now:
        messages.warning(request, "That date was worked out too long ago. Here it is anew.")
        return redirect("analytics:promise", number=number)
    try:
        outlook = promise_compute(request.shop, job, now=made_at, confidence=confidence)
        if outlook.book.digest != request.POST.get("digest"):
            messages.warning(request, "The work has moved since that date was worked out. Here it is anew.")
            return redirect("analytics:promise", number=number)
        made = promise_accept(outlook, user=_user(request))
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("analytics:promise", number=number)
    at = say_instant(request.shop.local(made.promised_at))
    messages.success(request, f"Promised: job {job.number} by {at}, {say_confidence(made.confidence)}.")
    return redirect("jobs:job", number=number)


@require_POST
@for_role(Role.PLANNER)
def promise_undo(request: ShopRequest, number: int, promise_id: int) -> HttpResponse:
    """Take a promise back whose job has not begun."""
    made = get_object_or_404(Promise.objects.of(request.shop), pk=promise_id, job__number=number)
    try:
        promise_take_back(made)
        messages.success(request, f"The promise for job {number} is taken back.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("analytics:promise", number=number)


def _job(request: ShopRequest, number: int) -> Job:
    return get_object_or_404(with_stages(Job.objects.of(request.shop)), number=number)


def _user(request: ShopRequest) -> Any:
    return request.user


def _confidence(text: str | None) -> float | None:
    """One of the odds that are offered; None for the shop's own."""
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if value in CONFIDENCES else None


def _shown(shop: Shop, outlook: Outlook) -> dict[str, Any]:
    """What the page shows of an outlook."""
    curve = outlook.curve
    kept, given = promises_kept(shop)
    return {
        "outlook": outlook,
        "picture": finish_picture(curve, outlook.promised_at, shop.zone),
        "days": day_chances(curve, shop.zone),
        "confidences": sorted({*CONFIDENCES, shop.confidence}),
        "digest": outlook.book.digest,
        "made_at": outlook.made_at.isoformat(),
        "drives": _drives(outlook),
        "kept": kept,
        "given": given,
        "levels": _levels(outlook),
    }


def _levels(outlook: Outlook) -> list[tuple[float, datetime]]:
    return sorted(outlook.quantiles.items())


def _drives(outlook: Outlook) -> list[dict[str, Any]]:
    """The largest shares of the way to the mean finish, in words, and the rest as one."""
    whole = sum(drive.minutes for drive in outlook.drives) or 1.0
    rows = [
        {
            "stage": drive.stage,
            "cause": CAUSE_WORDS[drive.cause],
            "minutes": drive.minutes,
            "share": drive.minutes / whole,
        }
        for drive in outlook.drives[:6]
    ]
    rest = sum(drive.minutes for drive in outlook.drives[6:])
    if rest > 0:
        rows.append({"stage": "All else", "cause": "", "minutes": rest, "share": rest / whole})
    return rows
