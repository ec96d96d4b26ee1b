"""The floor pages: the stopwatch for a phone, with or without a script."""

from __future__ import annotations

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from jobs.models import Job, TapKind
from jobs.pages import page
from jobs.selectors import JobRow
from jobs.selectors_floor import event_to_undo, jobs_to_start, people_of, stopwatch, watches
from jobs.services.taps import Tap, record_taps
from shop.models import Machine, Person, Role, User
from shop.permissions import ShopRequest, for_role

WHO = "person"  # the session's key of who is pressing
PRESSES = {kind.value: kind.label for kind in TapKind}


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
        **_who(request),
    }
    return _answer(request, "jobs/floor.html", "jobs/_floor_list.html", context)


@require_GET
@for_role(Role.MAKER)
def stopwatch_page(request: ShopRequest, number: int) -> HttpResponse:
    """The stopwatch of one job."""
    if (unchanged := _unchanged(request)) is not None:
        return unchanged
    try:
        watch = stopwatch(
            request.shop, number, _user(request), timezone.now(), _int(request.GET.get("stage"))
        )
    except Job.DoesNotExist:
        raise Http404("There is no such job.") from None
    context = {"watch": watch, "job": watch.job, "ids": [uuid4() for _ in range(24)], **_who(request)}
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
    if _pressed_before(request, tap):
        return redirect("jobs:stopwatch", number=number)
    outcome = record_taps(
        shop=request.shop, user=_user(request), taps=[tap], sent_at=now, received_at=now, device="page"
    )
    for one in outcome.results:
        if one.problem:
            messages.error(request, one.problem)
    _say_clashes(request, [(clash.kind, clash.key) for clash in outcome.clashes])
    return redirect("jobs:stopwatch", number=number)


@require_POST
@for_role(Role.MAKER)
def who(request: ShopRequest) -> HttpResponse:
    """Say who is pressing; kept until the log-in ends."""
    key = _int(request.POST.get("person"))
    if key is not None and Person.objects.of(request.shop).filter(pk=key, active=True).exists():
        request.session[WHO] = key
    number = _int(request.POST.get("number"))
    return redirect("jobs:stopwatch", number=number) if number else redirect("jobs:floor")


def _pressed_before(request: ShopRequest, tap: Tap) -> bool:
    """A form sent twice has the same id but another moment: it was heard the first time."""
    return event_to_undo(request.shop, tap.id) is not None


def _say_clashes(request: ShopRequest, clashes: list[tuple[str, int]]) -> None:
    for kind, key in clashes:
        if kind == "machine":
            name = Machine.objects.of(request.shop).get(pk=key).name
            messages.warning(
                request, f"{name} is now clocked on more stages than it can take. Stop one of them."
            )


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
