"""The floor pages: the stopwatch for a phone, with or without a script."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from jobs.models import Job, TapKind
from jobs.selectors.clock import crowds
from jobs.selectors.floor import (
    Stopwatch,
    event_of,
    jobs_to_start,
    last_press,
    lead,
    people_of,
    stopwatch,
    watches,
)
from jobs.selectors.jobs import JobRow
from jobs.selectors.notes import work_notes
from jobs.selectors.pack import presser
from jobs.services.taps import Tap, record_taps
from jobs.views.pages import page
from jobs.views.presses import main_press, more_presses, other_presses, pause_presses, undo_press
from shop.models import Person, Role, User
from shop.permissions import ShopRequest, for_role

WHO = "person"  # the session's key of who is pressing


@require_GET
@for_role(Role.MAKER)
def floor(request: ShopRequest) -> HttpResponse:
    """The press most likely wanted, what runs, what rests, and the jobs to start."""
    q, now, known = request.GET.get("q", "").strip(), timezone.now(), _known(request)
    number = _int(q)  # typed, or read from a ticket by a hand scanner
    if number and Job.objects.of(request.shop).filter(number=number).exists():
        return redirect("jobs:stopwatch", number=number)
    begun, jobs = watches(request.shop), jobs_to_start(request.shop, q)
    running = [watch for watch in begun if watch.stage.state == "running"]
    first = None if q else lead(request.shop, jobs, running, now, known["person"])
    shown = first.chosen.stage if first and first.chosen else None
    context = {
        "lead": first,
        "running": [watch for watch in running if watch.stage != shown],
        "resting": [watch for watch in begun if watch.stage.state != "running" and watch.stage != shown],
        "jobs": [JobRow(job, now) for job in jobs],
        "q": q,
        "crowds": crowds(request.shop),
        **(_presses(first) if first else {}),
        **known,
    }
    return _fresh(page(request, "jobs/floor.html", context))


@require_GET
@for_role(Role.MAKER)
def stopwatch_page(request: ShopRequest, number: int) -> HttpResponse:
    """The stopwatch of one job."""
    known, now, asked = _known(request), timezone.now(), _int(request.GET.get("stage"))
    try:
        watch = stopwatch(request.shop, number, now, person=known["person"], asked=asked)
    except Job.DoesNotExist:
        raise Http404("There is no such job.") from None
    context = {
        "watch": watch,
        "job": watch.job,
        "crowds": [one for one in crowds(request.shop) if watch.job in [stage.job for stage in one.stages]],
        "notes": work_notes(request.shop, watch.job, now, watch.chosen.stage) if watch.chosen else None,
        **_presses(watch),
        **known,
    }
    return _fresh(page(request, "jobs/stopwatch.html", context))


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
    try:
        tap = _tap(sent, tap_id, stage, now)
    except ValueError:
        messages.error(request, "Say pieces and metres in numbers, as 2 or 1.5. Nothing was recorded.")
        return redirect(_stopwatch_url(number, stage))
    outcome = record_taps(
        shop=request.shop, user=_user(request), taps=[tap], sent_at=now, received_at=now, device="page"
    )
    for one in outcome.results:
        if one.problem and not _heard_before(request, tap):
            messages.error(request, one.problem)
    return redirect("jobs:floor" if sent.get("here") == "floor" else _onwards(number, tap))


@require_POST
@for_role(Role.MAKER)
def who(request: ShopRequest) -> HttpResponse:
    """Say who is pressing; kept until the log-in ends. On a shared tablet a name is proven elsewhere."""
    if request.device is not None:
        return redirect("shop:names")
    key = _int(request.POST.get("person"))
    if key is not None and Person.objects.of(request.shop).filter(pk=key, active=True).exists():
        request.session[WHO] = key
    number, stage = _int(request.POST.get("number")), _int(request.POST.get("stage"))
    return redirect(_stopwatch_url(number, stage) if number else reverse("jobs:floor"))


def _tap(sent: QueryDict, tap_id: UUID, stage: int, now: datetime) -> Tap:
    """The press of a form. Raises ValueError for an amount that is no number."""
    to_stage = _int(sent.get("to_stage"))
    return Tap(
        id=tap_id,
        kind=sent.get("kind", ""),
        stage=stage,
        at=now,
        to_stage=None if to_stage == stage else to_stage,
        person=_int(sent.get("person")),
        machine=_int(sent.get("machine")),
        cause=_int(sent.get("cause")),
        corrects=_uuid(sent.get("corrects")),
        element=_int(sent.get("element")),
        scrapped=int(scrapped) if (scrapped := sent.get("scrapped")) else None,
        wasted_m=float(wasted) if (wasted := sent.get("wasted_m")) else None,
    )


def _onwards(number: int, tap: Tap) -> str:
    """Where a press leads: to the stage that was started, else the same; after a finish to whatever comes then."""
    return _stopwatch_url(number, None if tap.kind == TapKind.FINISH else tap.to_stage or tap.stage)


def _stopwatch_url(number: int, stage: int | None) -> str:
    return reverse("jobs:stopwatch", args=[number]) + (f"?stage={stage}" if stage else "")


def _heard_before(request: ShopRequest, tap: Tap) -> bool:
    """A form sent twice has the same id but another moment: it was heard the first time."""
    before = event_of(request.shop, tap.id)
    return before is not None and (before.kind, before.stage_id) == (tap.kind, tap.stage)


def _known(request: ShopRequest) -> dict[str, Any]:
    """Who presses (chosen on this device, else the person of the log-in), and the press that may be taken back."""
    people = people_of(request.shop)
    undo = last_press(request.shop, _user(request), timezone.now())
    return {
        "people": people,
        "person": presser(people, _user(request), request.session.get(WHO)),
        "undo": undo,
        "undo_press": undo_press(undo) if undo else None,
    }


def _presses(watch: Stopwatch) -> dict[str, Any]:
    """What can be pressed on a stopwatch."""
    return {
        "main": main_press(watch),
        "others": other_presses(watch),
        "pauses": pause_presses(watch),
        "more": more_presses(watch),
    }


def _fresh(response: HttpResponse) -> HttpResponse:
    response["Cache-Control"] = "private, no-cache"
    response["Vary"] = "Cookie"
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
