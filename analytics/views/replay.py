"""Pages of replays: what is to be different, how far it is, and what it would have done."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from functools import partial
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.engine.replay import LEVELS
from analytics.engine.shop_changes import SwapProcess, from_json
from analytics.forms import ReplayForm, changes_read, changes_signed
from analytics.models import Replay, RunState
from analytics.pictures.replay import replay_picture
from analytics.selectors.replays import FEWEST, QUARTER, jobs_in, unsuited_to
from analytics.services.replays import REPLAYS, replay_want
from analytics.tasks import enqueue_replays
from analytics.views.long_work import LongWorkPages, refused
from analytics.words.replay import GONE, Names, names_of, say_changes
from jobs.views.common import csv_answer, user_of
from jobs.views.pages import page
from shop.errors import ShopError
from shop.models import Role
from shop.permissions import ShopRequest, for_role

PAGES = LongWorkPages(
    REPLAYS,
    enqueue_replays,
    one="analytics:replay-one",
    all_of="analytics:replay",
    whole="analytics/replay.html",
    part="analytics/_replay.html",
)

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
    do, _, which = request.POST.get("do", "").partition(":")
    if do in ("out", "back"):
        return _list(request, _moved(request, today, which))
    form = ReplayForm(request.POST, shop=request.shop, today=today)
    if not form.is_valid():
        return _list(request, form, 422)
    if do == "add":
        return _added(request, form, today)
    days = form.cleaned_data["starts_on"], form.cleaned_data["ends_on"]
    wanted = partial(replay_want, request.shop, days, form.changes(), user_of(request), timezone.now())
    try:
        return PAGES.begin(wanted)
    except ShopError as problem:
        refused(form, problem)
        return _list(request, form, 422)


def _added(request: ShopRequest, form: ReplayForm, today: date) -> HttpResponse:
    """The page with what was chosen put into the list."""
    if not form.chosen():
        form.add_error(None, "Nothing is chosen. Choose what is to be different, and then add it.")
        return _list(request, form, 422)
    data = form.cleaned_data
    kept = {"starts_on": data["starts_on"], "ends_on": data["ends_on"]}
    facts = {**kept, "listed": changes_signed(form.changes())}
    return _list(request, ReplayForm(shop=request.shop, today=today, initial=facts))


def _moved(request: ShopRequest, today: date, which: str) -> ReplayForm:
    """The form with one change taken out of the list, by its place, or with the last one put back; the rest stays."""
    listed, dropped = (changes_read(request.POST.get(name, "")) for name in ("listed", "dropped"))
    if not which:
        listed, dropped = listed + dropped, []
    elif which.isdecimal() and int(which) < len(listed):
        dropped = [listed.pop(int(which))]
    facts = request.POST.dict() | {"listed": changes_signed(listed), "dropped": changes_signed(dropped)}
    return ReplayForm(shop=request.shop, today=today, initial=facts)


def _list(request: ShopRequest, form: ReplayForm, status: int = 200) -> HttpResponse:
    shop, names = request.shop, names_of(request.shop)
    rows = Replay.objects.of(shop).select_related("asked_by")
    now = timezone.now()
    today = shop.local(now).date()
    jobs = jobs_in(shop, today - timedelta(days=QUARTER - 1), today, now)
    listed, dropped = (changes_read(form[name].value() or "") for name in ("listed", "dropped"))
    context = {
        "form": form,
        "listed": say_changes(listed, names),
        "dropped": say_changes(dropped, names),
        "replays": [(row, _changes(row, names)) for row in rows],
        "under_way": REPLAYS.under_way(shop).first(),
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
    return PAGES.shown(request, row, _context(row))


@require_POST
@for_role(Role.PLANNER)
def replay_rest(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Let a replay rest where it is."""
    return PAGES.stop(request, _replay(request, replay_id))


@require_POST
@for_role(Role.PLANNER)
def replay_again(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Let a replay that rests go on."""
    return PAGES.go_on(request, _replay(request, replay_id))


@require_POST
@for_role(Role.PLANNER)
def replay_remove(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Remove a replay."""
    return PAGES.remove(request, _replay(request, replay_id))


@require_GET
@for_role(Role.PLANNER)
def replay_csv(request: ShopRequest, replay_id: int) -> HttpResponse:
    """Every job of a replay, for a spreadsheet. Instants in UTC."""
    return csv_answer(f"replay-{replay_id}.csv", _rows(_replay(request, replay_id)))


def _rows(row: Replay) -> Iterator[list[Any]]:
    yield list(COLUMNS)
    for job in row.result.get("jobs", ()):
        yield ["" if job[name] is None else job[name] for name in COLUMNS]


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
        "taken_in": row.result.get("taken_in"),
        "waited": [
            one for one in row.result["waited"] if max(one["before"] or 0, one["after"] or 0) >= LEAST
        ],
        "busy": row.result["busy"],
    }
