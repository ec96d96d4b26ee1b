"""The pack: what a device keeps of the shop for the floor pages."""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from typing import Any

from django.http import HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.utils import timezone
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET

from jobs.selectors.floor import people_of
from jobs.selectors.pack import iso, pack, presser
from shop.models import Role, User
from shop.permissions import ShopRequest, for_role

TRIES = 3


@gzip_page
@require_GET
@for_role(Role.MAKER)
def pack_json(request: ShopRequest) -> HttpResponse:
    """The pack, or 304 where the device has it as it is. X-Now and X-Done: the server's time before and after."""
    now = timezone.now()
    asked = request.headers.get("If-None-Match", "").removeprefix("W/").strip('"').split(".")
    quick = _quick(request, now)
    if asked[0] == quick:
        return _headed(HttpResponse(status=304), ".".join(asked), now)
    quick, found = _in_one_piece(request, now)
    tag = _digest(found)
    # Its minute may have passed and nothing else: then the device only learns the new name of what it has.
    unchanged = asked[1:] == [tag]
    answer = HttpResponse(status=304) if unchanged else JsonResponse({**found, "csrf": get_token(request)})
    return _headed(answer, f"{quick}.{tag}", now)


def _in_one_piece(request: ShopRequest, now: datetime) -> tuple[str, dict[str, Any]]:
    """The pack's quick name and the pack, read anew where somebody wrote while it was read.

    Each of its queries sees what is there at its own moment: a job could still be open and have only finished stages.
    Where there is writing all the time, the last one goes under its earlier name, so that the device asks again.
    """
    for _ in range(TRIES):
        quick, found = _quick(request, now), _pack(request, now)
        revision = request.shop.revision
        request.shop.refresh_from_db(fields=["revision"])
        if request.shop.revision == revision:
            break
    return quick, found


def _pack(request: ShopRequest, now: datetime) -> dict[str, Any]:
    user = request.user
    assert isinstance(user, User)  # noqa: S101 - for_role asks for a log-in
    return {**pack(request.shop, user, now, person=_person(request, user)), "device": _device(request)}


def _person(request: ShopRequest, user: User) -> int | None:
    chosen = request.session.get("person")
    if getattr(request, "device", None) is not None:  # nobody's own: only who said so
        return chosen
    person = presser(people_of(request.shop), user, chosen)
    return person.pk if person else None


def _device(request: ShopRequest) -> dict[str, Any] | None:
    device = getattr(request, "device", None)
    if device is None:
        return None
    return {"id": device.pk, "name": device.name, "names_after_min": request.shop.names_after_min}


def _quick(request: ShopRequest, now: datetime) -> str:
    """Names what the pack is made from without reading it: the shop's work, the log-in, who presses, the minute."""
    said = (
        request.shop.pk,
        request.shop.revision,
        request.session.session_key,
        request.session.get("person"),
        int(now.timestamp() // 60),
    )
    return _hash(repr(said))


def _digest(found: dict[str, Any]) -> str:
    """Digest of all but what is another at every moment."""
    press = found["last_press"]
    still = {**found, "now": "", "last_press": press and press["id"]}
    return _hash(json.dumps(still, sort_keys=True))


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _headed(answer: HttpResponse, tag: str, now: datetime) -> HttpResponse:
    answer["ETag"] = f'"{tag}"'
    answer["Cache-Control"] = "private, no-cache"
    answer["Vary"] = "Cookie"
    answer["X-Now"] = iso(now) or ""
    answer["X-Done"] = iso(timezone.now()) or ""
    return answer
