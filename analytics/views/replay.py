"""Pages of replays: what is to be different, how far it is, and what it would have done."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.engine.replay import LEVELS
from analytics.engine.shop_changes import SwapProcess, from_json
from analytics.forms import ReplayForm
from analytics.models import Replay, RunState
from analytics.pictures.replay import replay_picture
from analytics.selectors.replays import FEWEST, QUARTER, jobs_in, unsuited_to
from analytics.services.replays import (
    UNDER_WAY,
    replay_delete,
    replay_go_on,
    replay_stop,
    replay_want,
)
from analytics.tasks import enqueue_replays
from analytics.words.replay import GONE, Names, names_of, say_changes
from jobs.views.common import csv_answer, user_of
from jobs.views.pages import page
from shop.errors import BadInput, ShopError
from shop.models import Role
from shop.permissions import ShopRequest, for_role

FAR = 0.25
"""Share by which the replay of what was may miss the real turnaround before the page warns of it."""

LEAST = 0.05
"""Hours a week below which nobody asks where work waited."""

LEVEL_WORDS = ("Half of the jobs", "Eight in ten", "Nineteen in twenty")
COLUMNS = (
    "number",
    "title",
    "came",
    "due",
    "finished",
    "before",
    "after",
    "kept_before",
    "kept_after",
    "later",
)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def replays(request: ShopRequest) -> HttpResponse:
    """The replays so far, the newest first, and a form for another."""
    today = request.shop.local(timezone.now()).date()
    if request.method == "GET":
        return _list(request, ReplayForm(shop=request.shop, today=today))
    form = ReplayForm(request.POST, shop=request.shop, today=today)
    if form.is_valid():
        data = form.cleaned_data
        try:
            with transaction.atomic():
                days = data["starts_on"], data["ends_on"]
                made = replay_want(request.shop, days, form.changes(), user_of(request), timezone.now())
                transaction.on_commit(partial(enqueue_replays, [made.pk]))
            return redirect("analytics:replay-one", replay_id=made.pk)
        except ShopError as problem:
            at = problem.field if isinstance(problem, BadInput) and problem.field in form.fields else None
            form.add_error(at, problem.message)
    return _list(request, form, 422)


def _list(request: ShopRequest, form: ReplayForm, status: int = 200) -> HttpResponse:
    shop, names = request.shop, names_of(request.shop)
    rows = Replay.objects.of(shop).select_related("asked_by")
    days = form.get_initial_for_field(form.fields["starts_on"], "starts_on"), form.initial["ends_on"]
    jobs = jobs_in(shop, *days, timezone.now())
    context = {
        "form": form,
        "replays": [(row, _changes(row, names)) for row in rows],
        "under_way": rows.filter(state__in=UNDER_WAY).first(),
        "jobs": jobs,
        "few": jobs < FEWEST,
        "fewest": FEWEST,
        "quarter": QUARTER,
    }
    return page(request, "analytics/replays.html", context, status)


@require_GET
@for_role(Role.PLANNER)
def replay(request: ShopRequest, replay_id: int) -> HttpResponse:
    """One replay: how far it is, or what it says; with X-Part only the part that moves."""
    row = _replay(request, replay_id)
    tag = f'"{salted_hmac("replay", f"{row.pk} {row.state} {row.done} {row.error}").hexdigest()[:16]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, X-Part"}
    part = "X-Part" in request.headers
    if part and request.headers.get("If-None-Match") == tag:
        return HttpResponse(status=304, headers=headers)
    name = "analytics/_replay.html" if part else "analytics/replay.html"
    answer = page(request, name, {**_context(row), "tag": tag})
    for header, value in headers.items():
        answer[header] = value
    return answer


@require_POST
@for_role(Role.PLANNER)
def replay_rest(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Let a replay rest where it is."""
    return _done(request, replay_id, replay_stop)


@require_POST
@for_role(Role.PLANNER)
def replay_again(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Let a replay that rests go on."""

    def go_on(row: Replay) -> None:
        with transaction.atomic():
            replay_go_on(row)
            transaction.on_commit(partial(enqueue_replays, [row.pk]))

    return _done(request, replay_id, go_on)


@require_POST
@for_role(Role.PLANNER)
def replay_remove(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Remove a replay."""
    replay_delete(_replay(request, replay_id))
    messages.success(request, "The replay is removed.")
    return redirect("analytics:replay")


@require_GET
@for_role(Role.PLANNER)
def replay_csv(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Every job of a replay, for a spreadsheet. Instants in UTC."""
    return csv_answer(f"replay-{replay_id}.csv", _rows(_replay(request, replay_id)))


def _rows(row: Replay) -> Iterator[list[Any]]:
    yield list(COLUMNS)
    for job in row.result.get("jobs", ()):
        yield ["" if job[name] is None else job[name] for name in COLUMNS]


def _done(request: ShopRequest, replay_id: int, do: Callable[[Replay], None]) -> HttpResponse:
    row = _replay(request, replay_id)
    try:
        do(row)
    except ShopError as problem:
        messages.error(request, problem.message)
    return redirect("analytics:replay-one", replay_id=row.pk)


def _replay(request: ShopRequest, replay_id: int) -> Replay:
    rows = Replay.objects.of(request.shop).select_related("shop", "asked_by")
    return get_object_or_404(rows, pk=replay_id)


def _changes(row: Replay, names: Names) -> list[str]:
    return say_changes(from_json(row.changes), names)


def _context(row: Replay) -> dict[str, Any]:
    """What the page of a replay shows, for templates."""
    names_known = names_of(row.shop)
    context: dict[str, Any] = {
        "row": row,
        "changes": _changes(row, names_known),
        "under_way": row.state in UNDER_WAY,
        "may_go_on": row.state in (RunState.STOPPED, RunState.FAILED),
    }
    if row.state != RunState.DONE:
        return context
    said = row.result["comparison"]
    check = row.result["check"]
    middle = said["turnaround"][LEVELS.index(0.5)]
    names = ("As it was", "With the change")
    sides = zip(names, row.result["dots"], (middle["before"], middle["after"]), strict=True)
    off = abs(check["median_played"] / check["median_real"] - 1) if check["median_real"] else 0.0
    return {
        **context,
        "said": said,
        "check": check,
        "middle": middle,
        "far": off > FAR,
        "levels": list(zip(LEVEL_WORDS, said["turnaround"], strict=True)),
        "picture": replay_picture(list(sides)),
        "swaps": [
            (names_known.processes.get(c.after, GONE), unsuited_to(row.shop, c.after))
            for c in from_json(row.changes)
            if isinstance(c, SwapProcess)
        ],
        "swapped": row.result["swapped"],
        "waited": [
            one for one in row.result["waited"] if max(one["before"] or 0, one["after"] or 0) >= LEAST
        ],
        "busy": row.result["busy"],
    }
