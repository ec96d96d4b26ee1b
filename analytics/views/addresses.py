"""Addresses that open without a log-in: what they open, and the pages on which they are made and revoked."""

from __future__ import annotations

import hashlib
from datetime import datetime

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import patch_cache_control
from django.utils.http import parse_etags, quote_etag
from django.views.decorators.http import require_GET, require_http_methods, require_POST, require_safe

from analytics.calendars import MEDIA_TYPE, calendar_text
from analytics.models import OpenAddress, OpenPurpose
from analytics.selectors.addresses import addresses_of, calendar_lines, job_pages, jobs_without_page
from analytics.selectors.calendars import calendar_of
from analytics.selectors.customer_page import customer_view
from analytics.services.addresses import (
    CALENDARS,
    address_make,
    address_opened,
    address_renew,
    address_revoke,
    address_token,
)
from jobs.models import Job
from shop.addresses import is_loopback
from shop.errors import ShopError
from shop.models import Machine, Person, Role, User
from shop.permissions import ShopRequest, for_role
from shop.views.devices import qr_picture
from shop.views.page import page


@require_safe
def calendar(request: HttpRequest, token: str) -> HttpResponse:
    """The calendar behind an address, for a program that reads calendars."""
    now = timezone.now()
    address = address_opened(token, CALENDARS, now)
    if address is None:
        return _opens_nothing(request)
    tag = _tag(address, now)
    if tag in parse_etags(request.headers.get("If-None-Match", "")):
        answer: HttpResponse = HttpResponseNotModified()
    else:
        answer = HttpResponse(calendar_text(*calendar_of(address, now), now), content_type=MEDIA_TYPE)
        answer["Content-Disposition"] = 'inline; filename="calendar.ics"'
    answer["ETag"] = tag
    return _kept_secret(answer, no_store=False)


@require_safe
def customer_page(request: HttpRequest, token: str) -> HttpResponse:
    """What a customer sees of a job: how it stands, and the date."""
    now = timezone.now()
    address = address_opened(token, (OpenPurpose.JOB,), now)
    if address is None or address.job is None:
        return _opens_nothing(request)
    view = customer_view(address.job, now)
    return _kept_secret(render(request, "analytics/customer_page.html", {"view": view, "of": address.shop}))


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def addresses(request: ShopRequest) -> HttpResponse:
    """The calendars and the customers' pages, and a press to make each."""
    if request.method == "POST":
        return _make(request)
    wanted = request.GET.get("job", "")
    if wanted.isdecimal() and (standing := _page_of(request, int(wanted))):
        return redirect("analytics:address", address_id=standing.pk)
    own = request.membership.may(Role.OWNER)
    context = {
        "calendars": calendar_lines(request.shop) if own else [],
        "pages": job_pages(request.shop),
        "jobs": jobs_without_page(request.shop),
        "wanted": wanted,
    }
    return page(request, "analytics/addresses.html", context)


@require_GET
@for_role(Role.PLANNER)
def address(request: ShopRequest, address_id: int) -> HttpResponse:
    """One address: to copy, to scan, to renew or to revoke."""
    row = _address(request, address_id)
    url = _url(request, row)
    context = {
        "row": row,
        "url": url,
        "picture": qr_picture(url, "QR code of the address"),
        "only_here": is_loopback(url),
    }
    answer = page(request, "analytics/address.html", context)
    patch_cache_control(answer, private=True, no_store=True)
    return answer


@require_POST
@for_role(Role.PLANNER)
def address_again(request: ShopRequest, address_id: int) -> HttpResponse:
    """Another address in an address's place."""
    made = address_renew(_address(request, address_id), by=_user(request), now=timezone.now())
    messages.success(request, "This is the new address. The old one opens nothing any more.")
    return redirect("analytics:address", address_id=made.pk)


@require_POST
@for_role(Role.PLANNER)
def address_end(request: ShopRequest, address_id: int) -> HttpResponse:
    """Revoke an address."""
    row = _address(request, address_id)
    address_revoke(row, timezone.now())
    messages.success(request, f"Revoked: {row}. Its address opens nothing any more.")
    return redirect("analytics:addresses")


def _make(request: ShopRequest) -> HttpResponse:
    """Make what the form names: `person` or `machine` by key, `job` by number, or the shop's calendar."""
    sent, shop = request.POST, request.shop
    of: Person | Machine | Job | None = None
    if number := sent.get("job", "").strip():
        of = Job.objects.of(shop).filter(number=number).first() if number.isdecimal() else None
        if of is None:
            messages.error(request, f"There is no job {number}. Choose one from the list.")
            return redirect("analytics:addresses")
    elif not request.membership.may(Role.OWNER):
        raise PermissionDenied("Only the owner gives out calendars.")
    elif key := sent.get("person"):
        of = get_object_or_404(Person.objects.of(shop), pk=_key(key))
    elif key := sent.get("machine"):
        of = get_object_or_404(Machine.objects.of(shop), pk=_key(key))
    elif "shop" not in sent:
        messages.error(request, "Nothing was chosen. Press beside the calendar or the job that it is for.")
        return redirect("analytics:addresses")
    try:
        made = address_make(shop, of, by=_user(request), now=timezone.now())
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("analytics:addresses")
    return redirect("analytics:address", address_id=made.pk)


def _key(text: str) -> int:
    """A row's key as a form sends it; one that no row has for anything else."""
    return int(text) if text.isdecimal() else 0


def _page_of(request: ShopRequest, number: int) -> OpenAddress | None:
    standing = addresses_of(request.shop, request.membership).filter(purpose=OpenPurpose.JOB)
    return standing.filter(job__number=number).first()


def _address(request: ShopRequest, address_id: int) -> OpenAddress:
    return get_object_or_404(addresses_of(request.shop, request.membership), pk=address_id)


def _url(request: ShopRequest, row: OpenAddress) -> str:
    """The whole address, at which others reach this program."""
    base = (request.shop.address or request.build_absolute_uri("/")).rstrip("/")
    name = "analytics:customer-page" if row.purpose == OpenPurpose.JOB else "analytics:calendar"
    return base + reverse(name, args=[address_token(row)])


def _user(request: ShopRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - for_role asks for a log-in
    return request.user


def _tag(address: OpenAddress, now: datetime) -> str:
    """Names what a calendar says: it changes with the shop, and by the hour, as what is likely moves."""
    said = f"{address.nonce} {address.shop.revision} {address.shop.local(now):%Y-%m-%d %H}"
    return f"W/{quote_etag(hashlib.sha256(said.encode()).hexdigest()[:24])}"


def _opens_nothing(request: HttpRequest) -> HttpResponse:
    """The one answer to every address that opens nothing, whatever the reason."""
    return _kept_secret(render(request, "analytics/opens_nothing.html", status=404))


def _kept_secret(answer: HttpResponse, *, no_store: bool = True) -> HttpResponse:
    """Neither search engines nor the pages that one goes on to learn of the address, nor caches that others share."""
    answer["Referrer-Policy"] = "no-referrer"
    answer["X-Robots-Tag"] = "noindex, nofollow"
    patch_cache_control(answer, private=True, **({"no_store": True} if no_store else {"no_cache": True}))
    return answer
