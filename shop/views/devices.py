"""Shared devices: the list of them, letting one in, and putting one out. Owners only, but for the invitation."""

from __future__ import annotations

from typing import Any

import segno
from django.contrib import messages
from django.contrib.auth import login, logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from shop.addresses import is_loopback
from shop.errors import BadInput, ShopError
from shop.forms.devices import DeviceForm, RenameForm
from shop.models import Device, Person, Purpose, Role, User
from shop.permissions import ShopRequest, for_role
from shop.services import devices as services
from shop.views.page import page

BACKEND = "django.contrib.auth.backends.ModelBackend"
_SHOWN_ONCE = "invitation"


@never_cache
@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def devices(request: ShopRequest) -> HttpResponse:
    """The shop's devices, and a form to let another in: here, or by an invitation."""
    form = DeviceForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        answer = _enrol(request, form) if "here" in request.POST else _invite(request, form)
        if answer is not None:
            return answer
    every = Device.objects.of(request.shop).select_related("enrolled_by").order_by("name")
    people = Person.objects.of(request.shop).filter(active=True)
    context = {
        "form": form,
        "devices": every.filter(revoked_at=None),
        "revoked": every.exclude(revoked_at=None).order_by("-revoked_at"),
        "without_pin": people.filter(pin=""),
        "people": people.count(),
        "now": timezone.now(),
        **_invitation(request),
    }
    return page(request, "shop/devices.html", context, 422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def device(request: ShopRequest, device_id: int) -> HttpResponse:
    """One device: another name for it, another invitation, or out with it."""
    row = _device(request, device_id)
    form = RenameForm(request.POST if request.method == "POST" else None, initial={"name": row.name})
    if form.is_valid():
        try:
            services.device_rename(row, form.cleaned_data["name"])
            messages.success(request, f"{row.name} is saved.")
            return redirect("shop:devices")
        except BadInput as bad:
            form.add_error(bad.field or None, bad.message)
    context = {"form": form, "row": row}
    return page(request, "shop/device.html", context, 422 if form.errors else 200)


@require_POST
@for_role(Role.OWNER)
def device_invite(request: ShopRequest, device_id: int) -> HttpResponse:
    """A new invitation for a device that has not come yet."""
    row = _device(request, device_id)
    try:
        return _show_once(request, row, services.device_invite_again(row, timezone.now()))
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("shop:devices")


@require_http_methods(["GET", "POST"])
@for_role(Role.OWNER)
def device_revoke(request: ShopRequest, device_id: int) -> HttpResponse:
    """Ask, and end a device's log-in."""
    row = _device(request, device_id)
    if request.method == "GET":
        return page(request, "shop/device_revoke.html", {"row": row})
    services.device_revoke(row, timezone.now())
    messages.success(request, f"{row.name} is revoked: it opens nothing any more. What it clocked stays.")
    return redirect("shop:devices")


@never_cache
@require_http_methods(["GET", "POST"])
def join(request: HttpRequest, code: str) -> HttpResponse:
    """An invitation, opened on the device itself. Looking at it does not use it up; the press does."""
    try:
        row = services.device_invited(code, timezone.now())
        if request.method == "POST":
            return log_device_in(request, services.device_join(code, timezone.now()))
    except ShopError as refused:
        return render(request, "shop/join_over.html", {"why": refused.message}, status=410)
    return render(request, "shop/join.html", {"row": row})


def log_device_in(request: HttpRequest, row: Device) -> HttpResponse:
    """Log out whoever is logged in here, and the device in, for a year; then to what it is for."""
    logout(request)
    login(request, row.user, backend=BACKEND)
    request.session.set_expiry(int(services.SESSION.total_seconds()))
    return redirect("shop:names" if row.purpose == Purpose.FLOOR else "shop:home")


def _enrol(request: ShopRequest, form: DeviceForm) -> HttpResponse | None:
    row = _made(request, form, services.device_enrol)
    return log_device_in(request, row) if row else None


def _invite(request: ShopRequest, form: DeviceForm) -> HttpResponse | None:
    made = _made(request, form, services.device_invite)
    return _show_once(request, *made) if made else None


def _made(request: ShopRequest, form: DeviceForm, make: Any) -> Any:
    """What `make` gives; None where it refused, with the reason at its field."""
    assert isinstance(request.user, User)  # noqa: S101 - for_role asks for a log-in
    given = form.cleaned_data
    try:
        return make(
            shop=request.shop,
            name=given["name"],
            purpose=Purpose(given["purpose"]),
            by=request.user,
            now=timezone.now(),
        )
    except BadInput as bad:
        form.add_error(bad.field or None, bad.message)
        return None


def _show_once(request: ShopRequest, row: Device, code: str) -> HttpResponse:
    """Keep an invitation until the list is next shown, and no longer."""
    request.session[_SHOWN_ONCE] = {"device": row.pk, "code": code}
    return redirect("shop:devices")


def _invitation(request: ShopRequest) -> dict[str, Any]:
    """The invitation just made: its address, its picture, until when it is good."""
    kept = request.session.pop(_SHOWN_ONCE, None) if request.method == "GET" else None
    row = Device.objects.of(request.shop).filter(pk=kept["device"]).first() if kept else None
    if kept is None or row is None:
        return {}
    base = (request.shop.address or request.build_absolute_uri("/")).rstrip("/")
    address = base + reverse("shop:join", args=[kept["code"]])
    return {
        "invited": row,
        "address": address,
        "picture": qr_picture(address),
        "only_here": is_loopback(address),
    }


def qr_picture(text: str, title: str = "QR code of the invitation") -> SafeString:
    """A QR code of the text as an SVG for a page: dark on white whatever the theme, its quiet zone included."""
    code = segno.make_qr(text, error="m")
    drawn = code.svg_inline(border=4, dark="#000", light="#fff", title=title, svgclass="qr", omitsize=True)
    return mark_safe(drawn)  # noqa: S308 - drawn from modules; the title is the page's own


def _device(request: ShopRequest, device_id: int) -> Device:
    return get_object_or_404(Device.objects.of(request.shop), pk=device_id, revoked_at=None)
