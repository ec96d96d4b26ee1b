"""The floor pages: the stopwatch for a phone, with or without a script."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from jobs.models import Job, TapKind
from jobs.pages import page
from jobs.selectors import JobRow
from jobs.selectors_clock import crowds
from jobs.selectors_floor import event_of, jobs_to_start, people_of, stopwatch, watches
from jobs.services.taps import Tap, record_taps
from shop.models import Person, Role, User
from shop.permissions import ShopRequest, for_role

WHO = "person"  # the session's key of who is pressing


@require_GET
@for_role(Role.MAKER)
def floor(request: ShopRequest) -> HttpResponse:
    """What runs now, and the jobs to start."""
    if (unchanged := _unchanged(request)) is not None:
        return unchanged
    q = request.GET.get("q", "").strip()
    begun = watches(request.shop)
    context = {
        "running": [watch for watch in begun if watch.stage.state == "running"],
        "resting": [watch for watch in begun if watch.stage.state != "running"],
        "jobs": [JobRow(job, timezone.now()) for job in jobs_to_start(request.shop, q)],
        "q": q,
        "crowds": crowds(request.shop),
        **_who(request),
    }
    return _answer(request, "jobs/floor.html", "jobs/_floor_list.html", context)


@require_GET
@for_role(Role.MAKER)
def stopwatch_page(request: ShopRequest, number: int) -> HttpResponse:
    """The stopwatch of one job."""
    if (unchanged := _unchanged(request)) is not None:
        return unchanged
    known = _who(request)
    try:
        watch = stopwatch(
            request.shop,
            number,
            _user(request),
            timezone.now(),
            person=known["person"],
            asked=_int(request.GET.get("stage")),
        )
    except Job.DoesNotExist:
        raise Http404("There is no such job.") from None
    context = {
        "watch": watch,
        "job": watch.job,
        "crowds": [one for one in crowds(request.shop) if watch.job in [stage.job for stage in one.stages]],
        **known,
    }
    return _answer(request, "jobs/stopwatch.html", "jobs/_stopwatch.html", context)


@require_POST
@for_role(Role.MAKER)
def press(request: ShopRequest, number: int) -> HttpResponse:
    """A press without a script: the server says when it was. The id in the form makes a second sending harmless."""
    now = timezone.now()
    sent = request.POST
    tap_id, stage = _uuid(sent.get("id")), _int(sent.get("stage"))
    if tap_id is None or stage is None:
        messages.error(request, "That press was incomplete. Please press again.")
        return redirect("jobs:stopwatch", number=number)
    tap = Tap(
        id=tap_id,
        kind=sent.get("kind", ""),
        stage=stage,
        at=now,
        to_stage=_int(sent.get("to_stage")),
        person=_int(sent.get("person")),
        machine=_int(sent.get("machine")),
        cause=_int(sent.get("cause")),
        corrects=_uuid(sent.get("corrects")),
    )
    outcome = record_taps(
        shop=request.shop, user=_user(request), taps=[tap], sent_at=now, received_at=now, device="page"
    )
    for one in outcome.results:
        if one.problem and not _heard_before(request, tap):
            messages.error(request, one.problem)
    return redirect(_onwards(number, tap))


@require_POST
@for_role(Role.MAKER)
def who(request: ShopRequest) -> HttpResponse:
    """Say who is pressing; kept until the log-in ends."""
    key = _int(request.POST.get("person"))
    if key is not None and Person.objects.of(request.shop).filter(pk=key, active=True).exists():
        request.session[WHO] = key
    number, stage = _int(request.POST.get("number")), _int(request.POST.get("stage"))
    return redirect(_stopwatch_url(number, stage) if number else reverse("jobs:floor"))


def _onwards(number: int, tap: Tap) -> str:
    """Where a press leads: to the stage that was started, else the same; after a finish to whatever comes then."""
    return _stopwatch_url(number, None if tap.kind == TapKind.FINISH else tap.to_stage or tap.stage)


def _stopwatch_url(number: int, stage: int | None) -> str:
    return reverse("jobs:stopwatch", args=[number]) + (f"?stage={stage}" if stage else "")


def _heard_before(request: ShopRequest, tap: Tap) -> bool:
    """A form sent twice has the same id but another moment: it was heard the first time."""
    before = event_of(request.shop, tap.id)
    return before is not None and (before.kind, before.stage_id) == (tap.kind, tap.stage)


def _who(request: ShopRequest) -> dict[str, Any]:
    """Who is pressing: chosen on this device, else the person of the log-in."""
    people = people_of(request.shop)
    chosen = request.session.get(WHO)
    own = next((person for person in people if person.user_id == request.user.pk), None)
    person = next(
        (one for one in people if one.pk == chosen), own or (people[0] if len(people) == 1 else None)
    )
    return {"people": people, "person": person}


def _tag(request: ShopRequest) -> str:
    """Names what the page was made from: it changes with every write of the shop and with who is pressing."""
    minute = int(timezone.now().timestamp() // 60)
    return f'"{request.shop.pk}-{request.shop.revision}-{request.session.get(WHO, 0)}-{minute}"'


def _unchanged(request: ShopRequest) -> HttpResponse | None:
    if request.headers.get("X-Part") and request.headers.get("If-None-Match") == _tag(request):
        return HttpResponse(status=304)
    return None


def _answer(request: ShopRequest, whole: str, part: str, context: dict[str, Any]) -> HttpResponse:
    """The page, or only its moving part where a script asks for it."""
    response = page(request, part if request.headers.get("X-Part") else whole, context)
    response["ETag"] = _tag(request)
    response["Cache-Control"] = "private, no-cache"
    response["Vary"] = "Cookie, X-Part"
    return response


def _user(request: ShopRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - for_role asks for a log-in
    return request.user


def _int(text: str | None) -> int | None:
    return int(text) if text and text.isdecimal() and len(text) < 18 else None


def _uuid(text: str | None) -> UUID | None:
    try:
        return UUID(text or "")
    except ValueError:
        return None
