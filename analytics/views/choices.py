"""Pages of a job's choices: other ways of making it, what would bring it forward, and putting it first."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_GET, require_http_methods

from analytics.pictures.choices import rush_picture, ways_picture
from analytics.services.choices import Options, film_begun, is_open, jobs_to_ask, options_of
from analytics.services.choices_cutoffs import deadlines_of
from analytics.services.choices_rush import rush_of, rush_take
from analytics.services.choices_sooner import gains_of, soonest_of
from analytics.services.choices_ways import way_choose, ways_of
from analytics.services.promising import now_to_the_minute
from jobs.models import Job
from jobs.views.common import key_typed, user_of
from jobs.views.pages import page
from shop.errors import ShopError
from shop.models import Finish, Process, Role
from shop.permissions import ShopRequest, for_role
from shop.words import say_confidence, say_instant

Part = Callable[[Options], dict[str, Any]]


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def ways(request: ShopRequest, number: int) -> HttpResponse:
    """Each process and finish that could do the job, side by side; planners may choose one."""
    if request.method == "POST":
        return _choose(request, number)
    return _answer(request, number, "ways", {"ways": _ways})


@for_role(Role.PLANNER)
def _choose(request: ShopRequest, number: int) -> HttpResponse:
    job = _job(request, number)
    process = get_object_or_404(Process.objects.of(request.shop), pk=key_typed(request.POST.get("process")))
    finish = Finish.objects.of(request.shop).filter(pk=key_typed(request.POST.get("finish"))).first()
    try:
        way_choose(job, process, finish, request.POST.get("gloss") == "1")
        messages.success(request, f"Job {number} is made by {process.name} from now on.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("analytics:promise", number=number)


@require_GET
@for_role(Role.VIEWER)
def sooner(request: ShopRequest, number: int) -> HttpResponse:
    """What would bring the job forward, and until when its next stages may begin."""
    return _answer(
        request, number, "sooner", {"sooner_until": _until, "sooner_moves": _moves, "sooner_first": _first}
    )


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def rush(request: ShopRequest, number: int) -> HttpResponse:
    """The job's date if it is put first, and what that does to the others; planners may take it."""
    if request.method == "POST":
        return _take(request, number)
    return _answer(request, number, "rush", {"rush": _rush})


@for_role(Role.PLANNER)
def _take(request: ShopRequest, number: int) -> HttpResponse:
    job = _job(request, number)
    try:
        made = rush_take(
            request.shop,
            job,
            made_at=request.POST.get("made_at", ""),
            digest=request.POST.get("digest", ""),
            runs=request.POST.get("runs", ""),
            user=user_of(request),
        )
    except ShopError as refused:
        messages.warning(request, refused.message)
        return redirect("analytics:rush", number=number)
    at = say_instant(request.shop.local(made.promised_at), request.shop.local(made.made_at).date())
    messages.success(
        request, f"Promised: job {number} by {at}, {say_confidence(made.confidence)}. It goes first."
    )
    return redirect("jobs:job", number=number)


def _answer(request: ShopRequest, number: int, name: str, parts: dict[str, Part]) -> HttpResponse:
    """The page's frame at once, and each part when it is asked for by X-Part, or all in one by ?whole.

    A browser without scripts asks for the whole.
    """
    job = _job(request, number)
    context: dict[str, Any] = {"job": job, "open": is_open(job), "begun": film_begun(job)}
    wanted = request.headers.get("X-Part", "")
    if not is_open(job) or (wanted not in parts and "whole" not in request.GET):
        return page(request, f"analytics/{name}.html", context)
    template = f"analytics/_{wanted}.html" if wanted else f"analytics/{name}.html"
    try:
        options = options_of(request.shop, job, now=now_to_the_minute())
        context.update(options=options, whole=not wanted)
        for part, read in parts.items():
            if wanted in ("", part):
                context.update(read(options))
    except ShopError as refused:
        template = "analytics/_choices_refused.html" if wanted else template
        return page(request, template, {**context, "refused": refused, "whole": not wanted}, status=422)
    return page(request, template, context)


def _ways(options: Options) -> dict[str, Any]:
    found = ways_of(options)
    return {"ways": found, "picture": ways_picture(found, options.job.shop.zone)}


def _first(options: Options) -> dict[str, Any]:
    return {"soonest": soonest_of(options)}


def _moves(options: Options) -> dict[str, Any]:
    return {"gains": gains_of(options)}


def _until(options: Options) -> dict[str, Any]:
    return {"deadlines": deadlines_of(options)}


def _rush(options: Options) -> dict[str, Any]:
    found = rush_of(options)
    return {"rush": found, "picture": rush_picture(found)}


def _job(request: ShopRequest, number: int) -> Job:
    return get_object_or_404(jobs_to_ask(request.shop), number=number)
