"""Which shop a request is about, and what a device that nobody owns alone may open."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode, urlsplit, urlunsplit

from django.contrib import messages
from django.contrib.auth import SESSION_KEY
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme

from shop import shared
from shop.models import Device, Membership, Purpose
from shop.permissions import SAFE
from shop.problems import MEDIA_TYPE
from shop.services.devices import device_seen

# Open on a shared tablet whoever is at it, and on a revoked one.
_ALWAYS_OPEN = {"login", "logout", "password-choose", "shop:home", "shop:join"}
_NAMES = {"shop:names", "shop:name"}
# One's own log-in: a device has none that it could change.
_NOT_ON_DEVICES = {"password-change", "shop:account", "shop:own-pin"}
GONE = (
    "This device is no longer enrolled: the shop’s owner revoked it. Taps that it has not sent are kept on it, and "
    "are sent once an owner enrols it again."
)


class CurrentShopMiddleware:
    """Set `request.membership`, `request.shop` and `request.device` from the log-in; each None where there is none.

    `request.revoked` is the device whose session this was until it was revoked.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        membership = revoked = None
        if request.user.is_authenticated:
            found = Membership.objects.select_related("shop", "user__device")
            membership = found.filter(user=request.user).first()
        elif SESSION_KEY in request.session:
            ended = Device.objects.filter(revoked_at__isnull=False, user=request.session[SESSION_KEY])
            revoked = ended.select_related("shop").first()
        request.membership = membership  # type: ignore[attr-defined]
        request.shop = membership.shop if membership else None  # type: ignore[attr-defined]
        request.device = getattr(membership.user, "device", None) if membership else None  # type: ignore[attr-defined]
        request.revoked = revoked  # type: ignore[attr-defined]
        return self.get_response(request)


class SharedDeviceMiddleware:
    """A shared tablet asks who is at it, and no device opens what belongs to somebody's own log-in.

    What a script or a program asks for stays open on a tablet at which nobody is: taps, the pack, parts of pages. Only
    pages and presses renew the time of the one who is at it.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponse | None:
        """An answer in the view's place, or None."""
        name = request.resolver_match.view_name if request.resolver_match else ""
        device: Device | None = request.device  # type: ignore[attr-defined]
        if request.revoked is not None:  # type: ignore[attr-defined]
            return None if name in _ALWAYS_OPEN else _gone(request)
        if device is None:
            return None
        if name in _NOT_ON_DEVICES:
            raise PermissionDenied("This belongs to somebody's own log-in.")
        now = timezone.now()
        device_seen(device, now)
        if device.purpose != Purpose.FLOOR:
            return None
        shared.forget_if_over(request.session, now)
        if not shared.somebody(request.session):
            return None if name in _ALWAYS_OPEN | _NAMES else _ask_who(request)
        if request.method not in SAFE or not shared.in_background(request):
            shared.renew(request.session, request.shop.names_after_min, now)  # type: ignore[attr-defined]
        return None


def _ask_who(request: HttpRequest) -> HttpResponse | None:
    """To the names, unless it is not a page that is opened: None lets it pass."""
    if request.path.startswith("/api/"):
        return None
    background = shared.in_background(request)
    if request.method in SAFE:
        return None if background else _to_names(request.get_full_path())
    if background:
        raise PermissionDenied("Nobody is at this tablet: choose a name first.")
    messages.error(request, "That press was not counted. Choose your name, and press again.")
    return _to_names(_came_from(request))


def _to_names(onwards: str) -> HttpResponse:
    return redirect(f"{reverse('shop:names')}?{urlencode({'next': onwards})}")


def _came_from(request: HttpRequest) -> str:
    """The page on which a press was made; the first page where the browser does not say."""
    page = request.headers.get("Referer", "")
    safe = url_has_allowed_host_and_scheme(page, {request.get_host()}, require_https=request.is_secure())
    at = urlsplit(page)
    return urlunsplit(("", "", at.path, at.query, "")) if safe else reverse("shop:home")


def _gone(request: HttpRequest) -> HttpResponse | None:
    """What a revoked device is told: problem details (RFC 9457) for programs and parts, else a page."""
    path = request.path
    if not path.endswith(("/", ".json")) and not path.startswith("/api/"):
        return None  # a script, a picture: each is its own view's business
    if path.endswith("/") and not path.startswith("/api/") and "X-Part" not in request.headers:
        return render(request, "shop/device_gone.html", {"revoked": request.revoked}, status=403)  # type: ignore[attr-defined]
    body = {"type": "about:blank", "title": "This device was revoked", "status": 401, "detail": GONE}
    return JsonResponse(body, status=401, content_type=MEDIA_TYPE)
