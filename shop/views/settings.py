"""The settings' first page, the shop's facts, hours, holidays and closures."""

from __future__ import annotations

from datetime import date, timedelta

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from shop.forms.hours import ClosureForm, HoursForm
from shop.forms.shop import HolidaysForm, LabourForm
from shop.holidays import countries, regions
from shop.hours import DAYS
from shop.models import Closure, Device, Membership, Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.selectors import opening_hours, shop_holidays
from shop.services.hours import closure_delete
from shop.things import THINGS, Things
from shop.views.page import offer_undo, page
from shop.words import say_day


@require_GET
@for_role(Role.PLANNER)
def settings(request: ShopRequest) -> HttpResponse:
    """Everything that can be set, with what it is now."""
    shop = request.shop
    context = {
        "lists": [(things, _count(things, shop)) for things in THINGS.values()],
        "week": week_lines(shop),
        "region": regions(shop.holiday_country).get(shop.holiday_region) if shop.holiday_region else None,
        "country": countries().get(shop.holiday_country, shop.holiday_country),
        "closures": _coming(shop).count(),
        "logins": Membership.objects.filter(shop=shop, user__device=None).count(),
        "devices": Device.objects.of(shop).filter(revoked_at=None).count(),
    }
    return page(request, "shop/settings.html", context)


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def facts(request: ShopRequest) -> HttpResponse:
    """The shop's name, zone, units, currency, confidence and what an hour costs."""
    form = LabourForm(request.POST if request.method == "POST" else None, shop=request.shop)
    if form.is_valid():
        shop = form.save()
        messages.success(request, f"{shop.name} is saved. New dates are promised by it.")
        return redirect("shop:settings")
    return page(request, "shop/facts.html", {"form": form}, 422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def hours(request: ShopRequest) -> HttpResponse:
    """Opening hours per weekday."""
    form = HoursForm(request.POST if request.method == "POST" else None, shop=request.shop)
    if "copy" in request.POST:
        return page(request, "shop/hours.html", {"form": form.copied(), "copied": True})
    if form.is_valid():
        form.save()
        messages.success(request, "The opening hours are saved.")
        return redirect("shop:settings")
    return page(request, "shop/hours.html", {"form": form}, 422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def holidays(request: ShopRequest) -> HttpResponse:
    """Whose holidays the shop keeps, and which days those are."""
    form = HolidaysForm(request.POST if request.method == "POST" else None, shop=request.shop)
    if form.is_valid():
        shop = form.save()
        messages.success(
            request,
            "The holidays are saved, and listed below." if shop.holiday_country else "No holidays are kept.",
        )
        return redirect("shop:holidays")
    today = _today(request.shop)
    last = today + timedelta(days=365)
    coming = shop_holidays(Shop.objects.get(pk=request.shop.pk), {today.year, last.year})
    days = [(day, name) for day, name in coming.items() if today <= day <= last]
    return page(request, "shop/holidays.html", {"form": form, "days": days}, 422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def closures(request: ShopRequest) -> HttpResponse:
    """Days on which the shop is closed or somebody is away."""
    form = ClosureForm(request.POST if request.method == "POST" else None, shop=request.shop)
    if form.is_valid() and (closure := form.save()):
        messages.success(
            request,
            f"{_who(closure)} from {say_day(closure.starts_on, request.shop.local(timezone.now()).date())}: noted.",
        )
        return redirect("shop:closures")
    context = {"form": form, "closures": _coming(request.shop).select_related("person")}
    return page(request, "shop/closures.html", context, 422 if form.errors else 200)


@require_POST
@for_role(Role.PLANNER)
def closure_remove(request: ShopRequest, closure_id: int) -> HttpResponse:
    """Take a closure or an absence back, with undo."""
    closure = get_object_or_404(Closure.objects.of(request.shop).select_related("person"), pk=closure_id)
    fields = [
        ("person", str(closure.person_id or "")),
        ("starts_on", closure.starts_on.isoformat()),
        ("ends_on", closure.ends_on.isoformat()),
        ("reason", closure.reason),
    ]
    closure_delete(closure)
    offer_undo(request, f"{_who(closure)} no longer.", reverse("shop:closures"), fields)
    return redirect("shop:closures")


def week_lines(shop: Shop) -> list[tuple[str, str]]:
    """Each weekday with its hours in words."""
    week = opening_hours(shop)
    return [
        (
            name,
            ", ".join(f"{opens:%H:%M} to {closes:%H:%M}" for opens, closes in week.get(day, [])) or "closed",
        )
        for day, name in enumerate(DAYS)
    ]


def _count(things: Things, shop: Shop) -> int:
    in_use = {"active": True} if things.retirable else {}
    return things.model.objects.of(shop).filter(**in_use).count()


def _coming(shop: Shop) -> QuerySet[Closure]:
    return Closure.objects.of(shop).filter(ends_on__gte=_today(shop))


def _today(shop: Shop) -> date:
    return shop.local(timezone.now()).date()


def _who(closure: Closure) -> str:
    return f"{closure.person} away" if closure.person else "Closed"
