"""A shared tablet's names: who is at it, with their PIN."""

from __future__ import annotations

from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from shop import shared
from shop.forms.devices import AskPinForm
from shop.models import Person, Purpose, Role
from shop.permissions import ShopRequest, for_role
from shop.services.pins import PinLocked, pin_check
from shop.views.page import page


@never_cache
@require_GET
@for_role(Role.MAKER)
def names(request: ShopRequest) -> HttpResponse:
    """The people, to choose from. Opening it leaves the tablet to nobody until a name is chosen."""
    if not _is_shared(request):
        return redirect("jobs:floor")
    if not shared.in_background(request):
        shared.say_nobody(request.session)
    people = Person.objects.of(request.shop).filter(active=True)
    return page(request, "shop/names.html", {"people": people, "next": _onwards(request)})


@never_cache
@sensitive_post_parameters("pin")
@require_http_methods(["GET", "POST"])
@for_role(Role.MAKER)
def name(request: ShopRequest, person_id: int) -> HttpResponse:
    """One person: their PIN, where they have one, and on to the floor as them."""
    person = get_object_or_404(Person.objects.of(request.shop), pk=person_id, active=True)
    if not _is_shared(request):
        return redirect("jobs:floor")
    if not person.pin:
        return _say_who(request, person) if request.method == "POST" else _back(request)
    form = AskPinForm(request.POST if request.method == "POST" else None)
    if form.is_valid() and _is_theirs(request, person, form):
        return _say_who(request, person)
    # What was typed never goes back: PasswordInput renders no value.
    context = {"form": form, "person": person, "next": _onwards(request)}
    return page(request, "shop/pin_ask.html", context, 422 if form.errors else 200)


def _is_theirs(request: ShopRequest, person: Person, form: AskPinForm) -> bool:
    try:
        if pin_check(person, form.cleaned_data["pin"], timezone.now(), request.device):
            return True
        form.add_error("pin", f"That is not {person}’s PIN. Try again.")
    except PinLocked as locked:
        form.add_error("pin", locked.message)
    return False


def _say_who(request: ShopRequest, person: Person) -> HttpResponse:
    shared.say_who(request.session, person.pk, request.shop.names_after_min, timezone.now())
    return redirect(_onwards(request) or "jobs:floor")


def _back(request: ShopRequest) -> HttpResponse:
    onwards = _onwards(request)
    return redirect(reverse("shop:names") + (f"?{urlencode({'next': onwards})}" if onwards else ""))


def _onwards(request: ShopRequest) -> str:
    """Where the name was asked for, if that is a page of this program; else empty."""
    url = request.POST.get("next") or request.GET.get("next") or ""
    safe = url_has_allowed_host_and_scheme(url, {request.get_host()}, require_https=request.is_secure())
    return url if safe else ""


def _is_shared(request: ShopRequest) -> bool:
    if request.device is not None and request.device.purpose == Purpose.FLOOR:
        return True
    messages.info(request, "The names are for a shared tablet. This device has a log-in of its own.")
    return False
