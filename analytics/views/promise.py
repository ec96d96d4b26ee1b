"""Pages of the enquiry and its promise."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
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
from analytics.services.promising import Outlook, now_to_the_minute, promise_compute, rounded_up
from analytics.services.running_totals import BUDGET, EXACTLY, FINEST, WITHIN, Wish, for_seconds
from analytics.words.promise import say_breaks, say_error, say_follows, say_later
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

LOOK, LOOKS = 0.6, 6
"""Seconds of each further look at a date that is not exact enough, and how many there are."""

MORE = 2500
"""Futures that each of them adds at the least: to read hundreds of open jobs can take all of its seconds."""


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
    """The date that a job would be finished by, and what it hangs on. X-Part: the same date, further worked out."""
    exactly = "exactly" in request.GET
    wish = Wish(most=FINEST, go_on=for_seconds(EXACTLY)) if exactly else Wish(go_on=for_seconds(BUDGET))
    job = _job(request, number)
    if request.headers.get("X-Part") == "sharper":
        return _sharper(request, job)
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
            wish=wish,
            kept=True,
        )
    except ShopError as refused:
        return page(request, "analytics/promise.html", {**context, "refused": refused}, status=422)
    context.update(_shown(request.shop, outlook, LOOKS if exactly else 0))
    return page(request, "analytics/promise.html", context)


def _sharper(request: ShopRequest, job: Job) -> HttpResponse:
    """The date of a page that is shown, from more futures: 409 where that page does not hold any more."""
    shown = request.GET
    made_at, runs, look = _made_at(shown.get("made_at")), _runs(shown.get("runs")), shown.get("look", "")
    if made_at is None or runs is None or look not in map(str, range(1, LOOKS + 1)):
        return HttpResponse(status=409)
    wish = Wish(at_least=runs + MORE, most=FINEST, go_on=for_seconds(LOOK))
    try:
        outlook = promise_compute(
            request.shop,
            job,
            now=made_at,
            confidence=_confidence(shown.get("confidence")),
            wish=wish,
            kept=True,
        )
    except ShopError:
        return HttpResponse(status=409)
    if outlook.book.digest != shown.get("digest"):
        return HttpResponse(status=409)
    context = {"job": job, "whys": WhyChanged.choices, "standing": promise_standing(job)}
    context.update(_shown(request.shop, outlook, int(look)))
    return page(request, "analytics/_promise_sharper.html", context)


@require_POST
@for_role(Role.PLANNER)
def promise_give(request: ShopRequest, number: int) -> HttpResponse:
    """Give the date that was shown, if the work still stands as it did then."""
    job = _job(request, number)
    made_at, runs = _made_at(request.POST.get("made_at")), _runs(request.POST.get("runs"))
    if made_at is None or runs is None:
        messages.warning(request, "That date was worked out too long ago. Here it is anew.")
        return redirect("analytics:promise", number=number)
    why = request.POST.get("why_changed", "")
    if promise_standing(job) is not None and why not in WhyChanged.values:
        messages.error(request, "This job has a date already. Say why it changes, then give the new one.")
        asked = urlencode({"confidence": request.POST.get("confidence", "")})
        return redirect(f"{reverse('analytics:promise', args=[number])}?{asked}")
    try:
        confidence = _confidence(request.POST.get("confidence"))
        outlook = promise_compute(request.shop, job, now=made_at, confidence=confidence, runs=runs, kept=True)
        shown = request.POST.get("promised_at", outlook.promised_at.isoformat())
        if outlook.book.digest != request.POST.get("digest") or shown != outlook.promised_at.isoformat():
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


def _made_at(text: str | None) -> datetime | None:
    """When the page that was shown was worked out; None where that is too long ago."""
    made_at, now = parse_datetime(text or ""), timezone.now()
    if made_at is None or timezone.is_naive(made_at) or not now - STALE <= made_at <= now:
        return None
    return made_at


def _runs(text: str | None) -> int | None:
    """How many futures the page that was shown had drawn."""
    if not text or not text.isdecimal() or len(text) > 6:
        return None
    return int(text) if 0 < int(text) <= FINEST else None


def _given(job: Job) -> QuerySet[Promise]:
    given = job.promises.select_related("made_by").defer("snapshot", "quote", "quantiles")
    return given.order_by("-made_at", "-pk")


def _shown(shop: Shop, outlook: Outlook, looks: int) -> dict[str, Any]:
    """What the page shows of an outlook. looks: so many have been taken at it after the first."""
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
        "more": _more(outlook, looks),
        "exact_enough": outlook.error_min <= WITHIN,
        "later_words": say_later(outlook.later),
        "level_words": say_follows(outlook.level, outlook.confidence),
        "breaks_words": say_breaks(outlook.people),
        "kept": kept,
        "given": given,
        "levels": [
            (odds, rounded_up(at)) for odds, at in outlook.dates.items() if odds != outlook.confidence
        ],
        "harm": [row for row in outlook.harm if row.before - row.after >= TOUCHED_SHARE],
        "stands": stands,
    }


def _more(outlook: Outlook, looks: int) -> str:
    """What asks for a sharper date, as a query; '' where it is exact enough, or there was time enough."""
    if outlook.error_min <= WITHIN or outlook.runs >= FINEST or looks >= LOOKS:
        return ""
    shown = {"made_at": outlook.made_at.isoformat(), "digest": outlook.book.digest}
    asked = {"confidence": outlook.confidence, "runs": outlook.runs, "look": looks + 1}
    return urlencode({**shown, **asked})


def _rest(cuts: Sequence[Cut]) -> tuple[float, float] | None:
    """Minutes and share of what is not listed singly."""
    return (sum(cut.minutes for cut in cuts), sum(cut.share for cut in cuts)) if cuts else None
