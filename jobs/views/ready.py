"""Pages of getting ready: what is due at which machine, its results, and the list of checks that a shop keeps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.forms.ready import CheckForm
from jobs.photos import photo_clean
from jobs.selectors.floor import people_of
from jobs.selectors.ready import machine_states, results_csv_rows, results_of
from jobs.services.readiness import (
    TAKE_BACK,
    Result,
    check_move,
    check_retire,
    checks_add_usual,
    result_record,
    result_take_back,
)
from jobs.stock import LOCAL_RULES
from jobs.views.common import csv_answer, current_person, key_typed, user_of
from shop.errors import BadInput, ShopError
from shop.models import CheckOutcome, CheckResult, Machine, Person, ReadinessCheck, Role
from shop.permissions import ShopRequest, for_role
from shop.views.page import offer_undo, page

PER_PAGE = 50
STEPS = {"up": -1, "down": 1}


@dataclass(frozen=True)
class Refused:
    """A result that could not be kept, with what was typed."""

    check: int
    problem: str
    minutes: str
    note: str


@require_GET
@for_role(Role.MAKER)
def ready(request: ShopRequest) -> HttpResponse:
    """The machines with what is due, and why."""
    return _ready_page(request)


@require_POST
@for_role(Role.MAKER)
def result_new(request: ShopRequest, check_id: int) -> HttpResponse:
    """Keep how a check turned out; the id in the form makes a second sending harmless."""
    rows = ReadinessCheck.objects.of(request.shop).select_related("shop", "machine")
    check = get_object_or_404(rows, pk=check_id)
    try:
        result = _result_typed(request)
        now = timezone.now()
        row = result_record(check, result, user=user_of(request), at=now, received_at=now)
    except BadInput as bad:
        sent = request.POST
        refused = Refused(check.pk, bad.message, sent.get("minutes", ""), sent.get("note", ""))
        return _ready_page(request, refused, 422)
    said = f"{check.machine}, {check.name}: {row.get_outcome_display().lower()}."
    offer_undo(request, said, reverse("jobs:result-take-back", args=[row.pk]))
    return redirect(f"{reverse('jobs:ready')}#check-{check.pk}")


@require_POST
@for_role(Role.MAKER)
def result_back(request: ShopRequest, result_id: UUID) -> HttpResponse:
    """Take a result back."""
    row = get_object_or_404(results_of(request.shop), pk=result_id)
    try:
        owner = request.membership.may(Role.OWNER)
        result_take_back(row, user=user_of(request), owner=owner, now=timezone.now())
        messages.success(
            request, f"{row.check_done.name}: taken back. It stays on record and does not count."
        )
    except ShopError as refused:
        messages.error(request, refused.message)
    if request.POST.get("back") == "machine":
        return redirect("jobs:ready-machine", machine_id=row.check_done.machine_id)
    return redirect(f"{reverse('jobs:ready')}#check-{row.check_done_id}")


@require_GET
@for_role(Role.VIEWER)
def ready_machine(request: ShopRequest, machine_id: int) -> HttpResponse:
    """The results of a machine's checks, with their photos; the latest first."""
    machine = get_object_or_404(Machine.objects.of(request.shop), pk=machine_id)
    part = Paginator(results_of(request.shop, machine), PER_PAGE).get_page(request.GET.get("page"))
    now, user, owner = timezone.now(), user_of(request), request.membership.may(Role.OWNER)
    context = {
        "machine": machine,
        "page": part,
        "rows": [(row, owner or _own(row, user.pk, now)) for row in part.object_list],
        "may_clock": request.membership.may(Role.MAKER),
    }
    return page(request, "jobs/ready_machine.html", context)


@require_GET
@for_role(Role.VIEWER)
def results_csv(request: ShopRequest) -> HttpResponse:
    """All results as a file for a spreadsheet."""
    return csv_answer("checks.csv", results_csv_rows(results_of(request.shop)))


@require_GET
@for_role(Role.VIEWER)
def photo(request: ShopRequest, result_id: UUID) -> HttpResponse:
    """The photo of a result, for the shop's own log-ins."""
    row = get_object_or_404(CheckResult.objects.of(request.shop), pk=result_id)
    if not row.photo:
        raise Http404("This result has no photo.")
    try:
        with row.photo.open("rb") as file:
            answer = HttpResponse(file.read(), content_type="image/jpeg")
    except FileNotFoundError:
        raise Http404("The photo’s file is gone from the data folder.") from None
    answer["Cache-Control"] = "private, max-age=86400, immutable"
    return answer


@require_GET
@for_role(Role.PLANNER)
def checks(request: ShopRequest, machine_id: int) -> HttpResponse:
    """The list of checks that the shop keeps for a machine."""
    machine = get_object_or_404(Machine.objects.of(request.shop), pk=machine_id)
    rows = list(machine.checks.all())
    context = {
        "machine": machine,
        "rows": [row for row in rows if row.active],
        "retired": [row for row in rows if not row.active],
    }
    return page(request, "jobs/checks.html", context)


@require_POST
@for_role(Role.PLANNER)
def checks_usual(request: ShopRequest, machine_id: int) -> HttpResponse:
    """Add the usual checks that the list has not got."""
    machine = get_object_or_404(Machine.objects.of(request.shop).select_related("shop"), pk=machine_id)
    added = checks_add_usual(machine)
    names = ", ".join(row.name for row in added)
    messages.success(request, f"Added: {names}." if added else "The list has all the usual ones already.")
    return redirect("jobs:checks", machine_id=machine_id)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def check_new(request: ShopRequest, machine_id: int) -> HttpResponse:
    """Add a check of the shop's own."""
    machine = get_object_or_404(Machine.objects.of(request.shop).select_related("shop"), pk=machine_id)
    return _check_form(request, machine, None)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def check_edit(request: ShopRequest, check_id: int) -> HttpResponse:
    """Change a check."""
    row = _check(request, check_id)
    return _check_form(request, row.machine, row)


@require_POST
@for_role(Role.PLANNER)
def check_press(request: ShopRequest, check_id: int) -> HttpResponse:
    """Move a check, retire it or ask for it again."""
    row, do = _check(request, check_id), request.POST.get("do", "")
    if do in STEPS:
        check_move(row, STEPS[do])
    elif do in ("retire", "restore"):
        check_retire(row, active=do == "restore")
        messages.success(request, f"{row.name} is asked for {'again' if row.active else 'no more'}.")
    return redirect(f"{reverse('jobs:checks', args=[row.machine_id])}#check-{row.pk}")


def _check_form(request: ShopRequest, machine: Machine, row: ReadinessCheck | None) -> HttpResponse:
    title = row.name if row else "New check"
    form = CheckForm(request.POST if request.method == "POST" else None, machine=machine, check=row)
    if form.is_valid() and (saved := form.save()):
        messages.success(request, f"{saved.name} is saved.")
        return redirect("jobs:checks", machine_id=machine.pk)
    context = {"machine": machine, "form": form, "title": title}
    return page(request, "jobs/check.html", context, 422 if form.errors else 200)


def _check(request: ShopRequest, check_id: int) -> ReadinessCheck:
    rows = ReadinessCheck.objects.of(request.shop).select_related("machine__shop", "shop")
    return get_object_or_404(rows, pk=check_id)


def _ready_page(request: ShopRequest, refused: Refused | None = None, status: int = 200) -> HttpResponse:
    states = machine_states(request.shop, timezone.now())
    with_checks = [state.machine.pk for state in states]
    machines = Machine.objects.of(request.shop).filter(active=True)
    context: dict[str, Any] = {
        "states": states,
        "cautions": any(state.cautions for state in states),
        "local_rules": LOCAL_RULES,
        "others": machines.exclude(pk__in=with_checks),
        "outcomes": CheckOutcome.choices,
        "people": people_of(request.shop),
        "person": current_person(request),
        "refused": refused,
    }
    return page(request, "jobs/ready.html", context, status)


def _result_typed(request: ShopRequest) -> Result:
    """What was sent with the press. Raises BadInput."""
    sent = request.POST
    try:
        key = UUID(sent.get("id", ""))
    except ValueError:
        raise BadInput("That press was incomplete. Please press again.", field="id") from None
    person = Person.objects.of(request.shop).filter(pk=key_typed(sent.get("person"))).first()
    file = request.FILES.get("photo")
    return Result(
        id=key,
        outcome=sent.get("outcome", ""),
        person=person or current_person(request),
        minutes=read_minutes(sent.get("minutes", "")),
        note=sent.get("note", ""),
        photo=photo_clean(file, file.size or 0) if file else b"",
    )


def read_minutes(text: str) -> float | None:
    """Minutes of '4', '4.5', '4,5' or '4:30'; None for nothing. Raises BadInput (field `minutes`)."""
    text = text.strip().replace(",", ".")
    if not text:
        return None
    whole, colon, rest = text.partition(":")
    try:
        if colon and (not whole.isdecimal() or not rest.isdecimal() or int(rest) > 59):
            raise ValueError
        minutes = int(whole) + int(rest) / 60 if colon else float(text)
    except (ValueError, OverflowError):
        raise BadInput(
            f"“{text[:20]}” is no number of minutes. Write 4, 4.5 or 4:30.", field="minutes"
        ) from None
    if not 0 <= minutes < float("inf"):
        raise BadInput(f"“{text[:20]}” is no number of minutes. Write 4, 4.5 or 4:30.", field="minutes")
    return minutes


def _own(row: CheckResult, user: int, now: datetime) -> bool:
    return row.recorded_by_id == user and now - row.received_at <= TAKE_BACK
