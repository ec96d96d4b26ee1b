"""Pages of the enquiry and its promise."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from time import monotonic
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.models import Promise, WhyChanged
from analytics.pictures.drives import Cut, drive_cuts, drives_picture
from analytics.pictures.finish import day_chances, finish_picture
from analytics.selectors.outlooks import outlook_of
from analytics.selectors.promises import promises_kept
from analytics.services.promises import promise_accept, promise_standing, promise_take_back
from analytics.services.promising import MOST, Outlook, now_to_the_minute, promise_compute, rounded_up
from analytics.words.promise import say_error, say_later
from jobs.forms.enquiry import EnquiryForm
from jobs.models import Job, JobStatus
from jobs.selectors.jobs import with_stages
from jobs.views.pages import page
from shop.errors import ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.words import CONFIDENCES, say_confidence, say_instant

STALE = timedelta(hours=12)
"""A date shown longer ago than this is computed anew before it is given."""

TOUCHED_SHARE = 0.01
"""By how much less likely another job's date becomes, to be listed: less than that cannot be seen in per cent."""

SHOWN = 6
"""Of what drives a date, listed singly."""

BUDGET = 0.22
"""Seconds after which no more futures are drawn for a page, however exact the date is by then."""


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
    until = monotonic() + BUDGET
    job = _job(request, number)
    context: dict[str, Any] = {
        "job": job,
        "promises": _given(job),
        "whys": WhyChanged.choices,
        "standing": promise_standing(job),
    }
    if job.status in (JobStatus.FINISHED, JobStatus.CANCELLED):
        return page(request, "analytics/promise.html", context)
    try:
        outlook = promise_compute(
            request.shop,
            job,
            now=now_to_the_minute(),
            confidence=_confidence(request.GET.get("confidence")),
            go_on=lambda: monotonic() < until,
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
    runs = _runs(request.POST.get("runs"))
    if made_at is None or timezone.is_naive(made_at) or not now - STALE <= made_at <= now or runs is None:
        messages.warning(request, "That date was worked out too long ago. Here it is anew.")
        return redirect("analytics:promise", number=number)
    why = request.POST.get("why_changed", "")
    if promise_standing(job) is not None and why not in WhyChanged.values:
        messages.error(request, "This job has a date already. Say why it changes, then give the new one.")
        asked = urlencode({"confidence": request.POST.get("confidence", "")})
        return redirect(f"{reverse('analytics:promise', args=[number])}?{asked}")
    try:
        confidence = _confidence(request.POST.get("confidence"))
        outlook = promise_compute(request.shop, job, now=made_at, confidence=confidence, runs=runs)
        if outlook.book.digest != request.POST.get("digest"):
            messages.warning(request, "The work has moved since that date was worked out. Here it is anew.")
            return redirect("analytics:promise", number=number)
        made = promise_accept(outlook, user=_user(request), why_changed=why)
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("analytics:promise", number=number)
    at = say_instant(request.shop.local(made.promised_at), request.shop.local(made.made_at).date())
    messages.success(request, f"Promised: job {job.number} by {at}, {say_confidence(made.confidence)}.")
    return redirect("jobs:job", number=number)


@require_POST
@for_role(Role.PLANNER)
def promise_undo(request: ShopRequest, number: int, promise_id: int) -> HttpResponse:
    """Take a promise back whose job has not begun. It stays on record."""
    made = get_object_or_404(Promise.objects.of(request.shop), pk=promise_id, job__number=number)
    try:
        promise_take_back(made)
        messages.success(request, f"The promise for job {number} is taken back. It stays on record.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("analytics:promise", number=number)


def _job(request: ShopRequest, number: int) -> Job:
    jobs = with_stages(Job.objects.of(request.shop)).prefetch_related("stages__kind__ignores")
    return get_object_or_404(jobs, number=number)


def _user(request: ShopRequest) -> Any:
    return request.user


def _confidence(text: str | None) -> float | None:
    """One of the odds that are offered; None for the shop's own."""
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if value in CONFIDENCES else None


def _runs(text: str | None) -> int | None:
    """How many futures the page that was shown had drawn."""
    if not text or not text.isdecimal() or len(text) > 6:
        return None
    return int(text) if 0 < int(text) <= MOST else None


def _given(job: Job) -> QuerySet[Promise]:
    given = job.promises.select_related("made_by").defer("snapshot", "quote", "quantiles")
    return given.order_by("-made_at", "-pk")


def _shown(shop: Shop, outlook: Outlook) -> dict[str, Any]:
    """What the page shows of an outlook."""
    curve = outlook.curve
    stands = outlook_of(outlook.job, promise_standing(outlook.job))
    kept, given = promises_kept(shop)
    drives = [(one.stage, one.cause, one.minutes, one.position) for one in outlook.drives]
    cuts = drive_cuts(drives)
    return {
        "outlook": outlook,
        "picture": finish_picture(curve, outlook.promised_at, shop.zone),
        "days": day_chances(curve, shop.zone),
        "confidences": sorted({*CONFIDENCES, shop.confidence}),
        "digest": outlook.book.digest,
        "made_at": outlook.made_at.isoformat(),
        "drives": cuts[:SHOWN],
        "drives_rest": _rest(cuts[SHOWN:]),
        "drives_picture": drives_picture(drives),
        "exactness": say_error(outlook.runs, outlook.error_min),
        "later_words": say_later(outlook.later),
        "kept": kept,
        "given": given,
        "levels": [
            (odds, rounded_up(at)) for odds, at in outlook.dates.items() if odds != outlook.confidence
        ],
        "harm": [row for row in outlook.harm if row.before - row.after >= TOUCHED_SHARE],
        "stands": stands,
    }


def _rest(cuts: Sequence[Cut]) -> tuple[float, float] | None:
    """Minutes and share of what is not listed singly."""
    return (sum(cut.minutes for cut in cuts), sum(cut.share for cut in cuts)) if cuts else None
