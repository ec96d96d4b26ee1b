"""Setting a new shop up: four short pages, of which only the first is needed."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import login
from django.db import transaction
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from shop.forms.hours import HoursForm
from shop.forms.setup import ProcessesForm, Rows, film_rows, machine_rows, person_rows
from shop.forms.shop import RegionForm, SetupForm
from shop.guess import guess_place
from shop.models import Membership, Role
from shop.permissions import ShopRequest, for_role
from shop.selectors import has_owner, ownerless_shop

STEPS = (
    ("shop:setup", "You and your shop"),
    ("shop:setup-hours", "Opening hours"),
    ("shop:setup-people", "People"),
    ("shop:setup-work", "Machines and films"),
)
BACKEND = "django.contrib.auth.backends.ModelBackend"


@sensitive_post_parameters("password", "again")
@require_http_methods(["GET", "POST"])
def setup(request: HttpRequest) -> HttpResponse:
    """The first page: the owner's log-in and the shop's facts. Closed once a shop has an owner."""
    membership: Membership | None = request.membership  # type: ignore[attr-defined]
    if membership is not None:
        return redirect("shop:home")
    if has_owner():
        return _closed(request)
    found = ownerless_shop()
    form = SetupForm(request.POST or None, initial=_first_values(request), shop=found)
    if form.is_valid() and (made := form.create()):
        login(request, made.user, backend=BACKEND)
        return redirect("shop:setup-hours")
    context = {"form": form, "found": found, "steps": _steps(0)}
    return render(request, "shop/setup.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def setup_hours(request: ShopRequest) -> HttpResponse:
    """The second page: when the shop is open, and its region's holidays."""
    data = request.POST if request.method == "POST" else None
    form, region = HoursForm(data, shop=request.shop), RegionForm(data, shop=request.shop)
    if data is not None and "copy" in data:
        form = form.copied()
        return _step(request, 1, "shop/setup_hours.html", {"form": form, "region": region})
    if form.is_valid() and region.is_valid():
        with transaction.atomic():
            form.save()
            region.save()
        return redirect("shop:setup-people")
    return _step(request, 1, "shop/setup_hours.html", {"form": form, "region": region})


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def setup_people(request: ShopRequest) -> HttpResponse:
    """The third page: who works there and what they do."""
    data = _with_row_added(request)
    rows = person_rows(data, request.shop)
    if _pressed_save(request) and rows.is_valid() and rows.save():
        return redirect("shop:setup-work")
    return _step(request, 2, "shop/setup_people.html", {"rows": rows})


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def setup_work(request: ShopRequest) -> HttpResponse:
    """The last page: processes, machines and films."""
    data = _with_row_added(request)
    form = ProcessesForm(data, shop=request.shop)
    machines, films = machine_rows(data, request.shop), film_rows(data, request.shop)
    if _pressed_save(request) and _save_work(form, machines, films):
        return redirect("shop:setup-done")
    context = {"form": form, "machines": machines, "films": films}
    return _step(request, 3, "shop/setup_work.html", context)


@require_GET
@for_role(Role.OWNER)
def setup_done(request: ShopRequest) -> HttpResponse:
    """On to the first enquiry, with what to do next."""
    messages.success(
        request,
        f"{request.shop.name} is set up. Describe a piece of work here to read when it could be ready. "
        "Once a job is made, clock it on the floor: every finished stage makes the next date truer.",
    )
    return redirect("analytics:enquiry")


def _closed(request: HttpRequest) -> HttpResponse:
    """There is an owner: the log-in page, or for a log-in of no shop a page that says so."""
    if request.user.is_authenticated:
        return render(request, "shop/setup_closed.html", status=403)
    messages.info(request, "This shop is set up already. Log in, or ask its owner for a log-in.")
    return redirect("login")


def _first_values(request: HttpRequest) -> dict[str, Any]:
    """Guesses for a new shop. What an imported shop has is only what every new one has, so they hold there too."""
    guess = guess_place(request.headers.get("Accept-Language", ""))
    return {
        "holiday_country": guess.country,
        "currency": guess.currency,
        "units": guess.units,
        "confidence": "0.8",
    }


def _save_work(form: ProcessesForm, machines: Rows, films: Rows) -> bool:
    """Save all three or none."""
    if not all([form.is_valid(), machines.is_valid(), films.is_valid()]):
        return False
    with transaction.atomic():
        form.save()
        if machines.save() and films.save():
            return True
        transaction.set_rollback(True)
    return False


def _pressed_save(request: HttpRequest) -> bool:
    return request.method == "POST" and "add_row" not in request.POST


def _with_row_added(request: HttpRequest) -> QueryDict | None:
    """What was posted, with one more line where the button asked for it and no script did it."""
    if request.method != "POST":
        return None
    data = request.POST.copy()
    key = f"{data.get('add_row', '')}-TOTAL_FORMS"
    if str(data.get(key, "")).isdigit():
        data[key] = str(int(str(data[key])) + 1)
    return data


def _step(request: ShopRequest, place: int, template: str, context: dict[str, Any]) -> HttpResponse:
    wrong = any(bool(part.errors) and _has_error(part.errors) for part in context.values())
    later = reverse(STEPS[place + 1][0]) if place + 1 < len(STEPS) else reverse("shop:setup-done")
    known = {"steps": _steps(place), "later": later, "wrong": wrong}
    return render(request, template, {**known, **context}, status=422 if wrong else 200)


def _has_error(errors: Any) -> bool:
    return any(errors) if isinstance(errors, list) else bool(errors)


def _steps(place: int) -> list[tuple[str, str]]:
    states = ["done"] * place + ["here"] + [""] * (len(STEPS) - place - 1)
    return [(label, state) for (_, label), state in zip(STEPS, states, strict=True)]
