"""Giving a PIN: to somebody else, or to oneself. No page ever shows one."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from shop.forms.devices import PinForm
from shop.models import Person, Role
from shop.permissions import ShopRequest, for_role
from shop.services.pins import pin_clear
from shop.things import THINGS
from shop.views.page import page


@never_cache
@sensitive_post_parameters("pin", "again")
@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def person_pin(request: ShopRequest, person_id: int) -> HttpResponse:
    """Somebody's PIN: another, or none."""
    person = get_object_or_404(Person.objects.of(request.shop), pk=person_id)
    return _pin(request, person, "shop:things", {"things": THINGS["people"]})


@never_cache
@sensitive_post_parameters("pin", "again")
@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def own_pin(request: ShopRequest) -> HttpResponse:
    """One's own PIN."""
    person = Person.objects.of(request.shop).filter(user=request.user.pk).first()
    if person is None:
        return page(request, "shop/pin_nobody.html")
    return _pin(request, person, "shop:account", {"own": True})


def _pin(request: ShopRequest, person: Person, back: str, context: dict[str, object]) -> HttpResponse:
    leads = redirect(back, things="people") if back == "shop:things" else redirect(back)
    if request.method == "POST" and "clear" in request.POST:
        pin_clear(person)
        messages.success(request, f"{person} has no PIN now: on a shared tablet the name alone will do.")
        return leads
    form = PinForm(request.POST if request.method == "POST" else None, person=person)
    if form.is_valid() and form.save():
        messages.success(request, f"{person}’s PIN is set. It is not shown again.")
        return leads
    context = {"form": form, "person": person, "back": leads.url, **context}
    return page(request, "shop/pin_set.html", context, 422 if form.errors else 200)
