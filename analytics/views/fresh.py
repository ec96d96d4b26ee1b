"""Parts of pages that keep themselves up to date: the tag of what one says, and the answer where nothing is new."""

from __future__ import annotations

from django.http import HttpResponse
from django.utils.crypto import salted_hmac

from shop.permissions import ShopRequest


def is_part(request: ShopRequest) -> bool:
    """Whether the page's own script asks, for the part that moves."""
    return "X-Part" in request.headers


def tag_of(request: ShopRequest, *facts: object) -> str:
    """The tag (RFC 9110, 8.8.3) of what these facts make a part say to somebody of this role."""
    said = " ".join(str(fact) for fact in (request.shop.pk, request.membership.role, *facts))
    return f'"{salted_hmac("fresh part", said).hexdigest()[:24]}"'


def unchanged(request: ShopRequest, tag: str) -> HttpResponse | None:
    """The answer to a reader that has the part already; None to all others."""
    if is_part(request) and request.headers.get("If-None-Match") == tag:
        return tagged(HttpResponse(status=304), tag)
    return None


def tagged(answer: HttpResponse, tag: str) -> HttpResponse:
    """The same answer under its tag."""
    answer["ETag"], answer["Cache-Control"] = tag, "private, no-cache"
    answer["Vary"] = "Cookie, X-Part"
    return answer
