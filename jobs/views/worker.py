"""What keeps the floor on a device: the service worker, the page that it shows, and its place on a home screen."""

from __future__ import annotations

import json
from dataclasses import asdict

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.http import require_GET

from jobs.release import release
from jobs.views.pages import page
from shop.models import Role
from shop.permissions import ShopRequest, for_role

GROUND = "#f4f0e6"  # --ground of tokens.css, which a manifest cannot ask


@require_GET
def worker(request: HttpRequest) -> HttpResponse:
    """The service worker: another text, so another release, whenever a file that it keeps has changed."""
    what = {"shell": reverse("jobs:shell"), **asdict(release())}
    answer = render(
        request,
        "jobs/worker.js",
        {"release": json.dumps(what)},
        content_type="text/javascript; charset=utf-8",
    )
    answer["Service-Worker-Allowed"] = "/"
    answer["Cache-Control"] = "no-cache"
    return answer


@require_GET
@for_role(Role.MAKER)
def shell(request: ShopRequest) -> HttpResponse:
    """The floor page without anything of the shop's work in it: scripts fill it from what the device keeps."""
    answer = page(request, "jobs/floor.html", {"shell": True})
    answer["X-Release"] = release().version
    answer["Cache-Control"] = "private, no-store"
    return answer


@require_GET
def manifest(request: HttpRequest) -> HttpResponse:
    """How a browser puts the floor on a home screen."""
    icons = [
        {
            "src": static(f"shop/icons/{name}.png"),
            "sizes": f"{size}x{size}",
            "type": "image/png",
            "purpose": purpose,
        }
        for name, size, purpose in (
            ("icon-192", 192, "any"),
            ("icon-512", 512, "any"),
            ("maskable-192", 192, "maskable"),
            ("maskable-512", 512, "maskable"),
        )
    ]
    answer = JsonResponse(
        {
            "id": "/floor/",
            "name": "Lapwright",
            "short_name": "Lapwright",
            "description": "The stopwatch of a print-and-cut graphics shop.",
            "lang": "en-GB",
            "start_url": reverse("jobs:floor"),
            "scope": "/",
            "display": "standalone",
            "background_color": GROUND,
            "theme_color": GROUND,
            "icons": icons,
        },
        content_type="application/manifest+json",
    )
    answer["Cache-Control"] = "max-age=3600"
    return answer
