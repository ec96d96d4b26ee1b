"""Pages of a job's clock: its record, and the corrections of it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.forms.corrections import EVENT_FORMS, FORMS, CorrectionForm, SheetForm
from jobs.models import Correction, Interval, Job, Stage
from jobs.selectors.record import day_of, line_of, record_csv_rows, record_of
from jobs.selectors.record_preview import Preview, preview_of, sheet_rows, stretch_of
from jobs.services.changes import GONE
from jobs.services.corrections import LONGEST_REASON, OWN_UNDO, REASONS, ClockMoved, correct, preview, undo
from jobs.services.job_clock import clock_state, job_clock
from jobs.sheets import minutes_words
from jobs.views.common import csv_answer, current_person, key_typed, user_of
from shop.errors import ShopError
from shop.models import Role
from shop.permissions import ShopRequest, for_role
from shop.views.page import offer_undo, page

CHANGED = "You changed something after looking at what it does. This is what it would do now."


@require_GET
@for_role(Role.MAKER)
def record(request: ShopRequest, number: int) -> HttpResponse:
    """What was clocked on a job, day by day, and what was put right."""
    job, now = _job(request, number), timezone.now()
    asked = job.stages.filter(pk=key_typed(request.GET.get("stage"))).first()
    context = {
        "job": job,
        "record": record_of(job, now, asked.pk if asked else None),
        "asked": asked,
        "ways": [(what, form.heading, form.hint) for what, form in FORMS.items()],
        "own_until": now - OWN_UNDO,
    }
    return page(request, "jobs/record.html", context)


@require_GET
@for_role(Role.MAKER)
def record_csv(request: ShopRequest, number: int) -> HttpResponse:
    """The record as a file for a spreadsheet."""
    job = _job(request, number)
    return csv_answer(f"job-{job.number}-clock.csv", record_csv_rows(job, timezone.now()))


@require_http_methods(["GET", "POST"])
@for_role(Role.MAKER)
def correct_page(request: ShopRequest, number: int, what: str) -> HttpResponse:
    """One way to put the clock right: of one event (`?event=`), or of a stage (`?stage=`)."""
    job, now = _job(request, number), timezone.now()
    if what in EVENT_FORMS:
        return _correct_event(request, job, what, now)
    if what not in FORMS:
        raise Http404("There is no such way to put a clock right.")
    stretch = stretch_of(job, _stage(request, job))
    guess = _first_guess(request, job, stretch, now)
    form = FORMS[what](request.POST or None, job=job, now=now, initial=guess)
    day = job.shop.local(stretch.starts_at).date() if stretch and what != "sheet" else None
    return _correcting(request, job, form, now, {"day": day_of(job, day, now) if day else None})


def _correct_event(request: ShopRequest, job: Job, what: str, now: datetime) -> HttpResponse:
    """Move one event, or take it back."""
    key = _uuid(request.GET.get("event"))
    event = job_clock(job).event(key) if key else None
    line = line_of(job, key, now) if key else None
    if event is None or line is None:
        messages.error(request, GONE if line else "Choose a press in the list first.")
        return redirect("jobs:record", number=job.number)
    form = EVENT_FORMS[what](request.POST or None, job=job, now=now, event=event)
    day = job.shop.local(event.at).date()
    return _correcting(request, job, form, now, {"line": line, "day": day_of(job, day, now)})


@require_POST
@for_role(Role.MAKER)
def correction_undo(request: ShopRequest, number: int) -> HttpResponse:
    """Take a correction back: owners at any time, others what they did a moment ago."""
    job, now = _job(request, number), timezone.now()
    made = get_object_or_404(
        Correction.objects.of(request.shop).filter(job=job), pk=_uuid(request.POST.get("correction"))
    )
    own = made.by_id == request.user.pk and now - made.at <= OWN_UNDO
    if not (own or request.membership.may(Role.OWNER)):
        messages.error(
            request, "Only an owner can undo that now. Ask one, or put it right by another correction."
        )
    else:
        try:
            undo(made, user=user_of(request), now=now)
        except ShopError as refused:
            messages.error(request, refused.message)
        else:
            messages.success(
                request, f"“{made.get_kind_display()}” is undone. The clock is as it was before."
            )
    return redirect("jobs:record", number=number)


def _correcting(
    request: ShopRequest, job: Job, form: CorrectionForm, now: datetime, context: dict[str, Any]
) -> HttpResponse:
    """Ask; show what it would change; save what was shown."""
    shown: Preview | None = None
    status = 200
    if request.method == "POST":
        try:
            shown = _look(form, now)
            status = 200 if shown else 422
            if shown and request.POST.get("step") == "save":
                if request.POST.get("seen") == _seen(form):
                    return _saved(request, job, form, now)
                messages.warning(request, CHANGED)
        except ClockMoved as moved:
            messages.warning(request, moved.message)
            status = moved.status
        except ShopError as refused:
            form.refuse(refused.field, refused.message)
            shown, status = shown if refused.field == "reason" else None, 422
    known = {
        "job": job,
        "form": form,
        "preview": shown,
        "seen": _seen(form) if shown else "",
        "state": clock_state(job),
        "key": request.POST.get("key") or uuid4(),
        "reasons": REASONS,
        **_sheet(form),
        "is_sheet": isinstance(form, SheetForm),
    }
    if request.headers.get("X-Part"):
        return page(request, "jobs/_record_seen.html", known)
    return page(request, "jobs/record_correct.html", {**known, **context}, status=status)


def _look(form: CorrectionForm, now: datetime) -> Preview | None:
    """What the form asks for would do; None where it cannot be asked for. Raises ShopError."""
    # To look at what it does, no reason is needed yet; `correct` refuses to go without.
    form.fields["reason"].required = False
    valid = form.is_valid()
    form.fields["reason"].required = True
    if not valid:
        return None
    return preview_of(preview(form.job, form.change(), now), form.job, now)


def _sheet(form: CorrectionForm) -> dict[str, Any]:
    """A timed sheet as it was read, line by line, with its sum and the elements that would be made."""
    if not isinstance(form, SheetForm):
        return {}
    elements = form.sheet.elements if form.is_bound else ()
    rows = sheet_rows(elements, form.cleaned_data.get("stage") if form.is_bound else None)
    return {
        "sheet_rows": rows,
        "sheet_sum": minutes_words(elements[-1].ends - elements[0].starts) if elements else "",
        "new_names": list(dict.fromkeys(row.name for row in rows if row.new)),
    }


def _saved(request: ShopRequest, job: Job, form: CorrectionForm, now: datetime) -> HttpResponse:
    made = correct(
        job,
        form.change(),
        reason=_reason(request, form.cleaned_data["reason"]),
        user=user_of(request),
        now=now,
        key=_uuid(request.POST.get("key")),
        made_from=request.POST.get("state", ""),
    )
    said = f"{made.get_kind_display()}: saved."
    offer_undo(
        request, said, reverse("jobs:correction-undo", args=[job.number]), [("correction", str(made.pk))]
    )
    return redirect("jobs:record", number=job.number)


def _reason(request: ShopRequest, typed: str) -> str:
    """Why; on a device that several share, also who says so, since its log-in is nobody's own."""
    person = current_person(request) if getattr(request, "device", None) else None
    return f"{typed[: LONGEST_REASON - len(person.name) - 3]} ({person})" if person and typed else typed


def _first_guess(request: ShopRequest, job: Job, stretch: Interval | None, now: datetime) -> dict[str, Any]:
    """What is most likely meant: the stage asked for, who presses here, and the end of its last stretch."""
    now = now.replace(microsecond=0)
    guess: dict[str, Any] = {
        "person": current_person(request),
        "starts": now - timedelta(minutes=30),
        "ends": now,
        "at": now,
        "stopped_at": now,
        "until": now,
        "day": job.shop.local(now).date(),
    }
    if stretch is not None:
        ends = stretch.ends_at or now
        guess |= {"stage": stretch.stage, "at": ends, "stopped_at": ends, "until": ends}
        guess |= {"person": stretch.person or guess["person"]}
    asked = _stage(request, job)
    return guess | {"stage": asked} if asked else guess


def _seen(form: CorrectionForm) -> str:
    """Names what was typed, so that what is saved is what was looked at."""
    typed: Mapping[str, Any] = form.cleaned_data if form.is_bound else {}
    parts = [f"{name}={typed.get(name)!r}" for name in form.fields if name != "reason"]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]


def _job(request: ShopRequest, number: int) -> Job:
    return get_object_or_404(Job.objects.of(request.shop).select_related("shop", "customer"), number=number)


def _stage(request: ShopRequest, job: Job) -> Stage | None:
    return job.stages.filter(left_out=False, pk=key_typed(request.GET.get("stage"))).first()


def _uuid(text: str | None) -> UUID | None:
    try:
        return UUID(text or "")
    except ValueError:
        return None
