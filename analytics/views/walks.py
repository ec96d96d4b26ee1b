"""Pages of walks through the past: begun, watched, stopped and gone on with; what they say at their end."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.engine.backtest import ALL
from analytics.models import BacktestRun, RunState
from analytics.pictures.walks import errors_picture
from analytics.selectors.history import jobs_to_walk
from analytics.selectors.walks import (
    LISTED,
    Group,
    forecast_rows,
    groups_of,
    may_be_left_out,
    names_of,
    progress_of,
    seconds_for,
    walk_runs,
)
from analytics.services.backtesting import Wanted
from analytics.services.walks import WALKS, run_want
from analytics.tasks import enqueue_walks
from analytics.views.long_work import LongWorkPages, refused
from jobs.views.common import csv_answer, user_of
from jobs.views.pages import page
from shop.errors import ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role

PAGES = LongWorkPages(
    WALKS,
    enqueue_walks,
    one="analytics:walk",
    all_of="analytics:walks",
    whole="analytics/walk.html",
    part="analytics/_walk.html",
)

MOST_BARS = 9
"""Groups in the picture; the table has them all."""

DAY = forms.DateInput(attrs={"type": "date"})


class WalkForm(forms.Form):
    """What is asked of a walk."""

    scored_from = forms.DateField(label="From", required=False, widget=DAY)
    scored_to = forms.DateField(label="To", required=False, widget=DAY)
    first = forms.IntegerField(
        label="Jobs to learn from before the first forecast", min_value=0, max_value=1_000_000, initial=5
    )
    leave_out = forms.MultipleChoiceField(
        label="The forecasts may not know",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="To see what it is worth, or because it is known only after the work.",
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data)
        choices = may_be_left_out(shop)
        if choices:
            field = self.fields["leave_out"]
            assert isinstance(field, forms.MultipleChoiceField)  # noqa: S101 - for the type's sake
            field.choices = choices
        else:
            del self.fields["leave_out"]

    def wanted(self) -> Wanted:
        """The cleaned answers."""
        data = self.cleaned_data
        left_out = tuple(data.get("leave_out", ()))
        return Wanted(data["first"], data["scored_from"], data["scored_to"], left_out)


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def walks(request: ShopRequest) -> HttpResponse:
    """The walks, the newest first; planners may begin one."""
    if request.method == "POST":
        return _begin(request)
    return _list(request, WalkForm(shop=request.shop))


@for_role(Role.PLANNER)
def _begin(request: ShopRequest) -> HttpResponse:
    form = WalkForm(request.POST, shop=request.shop)
    if form.is_valid():
        wanted = form.wanted()
        try:
            return PAGES.begin(partial(run_want, request.shop, wanted, user_of(request), timezone.now()))
        except ShopError as problem:
            refused(form, problem, problem.message.replace("--first", "number"))
    return _list(request, form, 422)


def _list(request: ShopRequest, form: WalkForm, status: int = 200) -> HttpResponse:
    shop = request.shop
    jobs = jobs_to_walk(shop)
    context = {
        "form": form,
        "runs": walk_runs(shop)[:LISTED],
        "jobs": jobs,
        "takes": seconds_for(shop, jobs) / 60.0,
        "under_way": WALKS.under_way(shop).first(),
    }
    return page(request, "analytics/walks.html", context, status)


@require_GET
@for_role(Role.VIEWER)
def walk(request: ShopRequest, run_id: int) -> HttpResponse:
    """One walk: how far it is, or what it says; with X-Part only the part that moves."""
    run = _run(request, run_id)
    return PAGES.shown(request, run, _context(run))


@require_POST
@for_role(Role.PLANNER)
def walk_stop(request: ShopRequest, run_id: int) -> HttpResponse:
    """Let a walk rest where it is."""
    return PAGES.stop(request, _run(request, run_id))


@require_POST
@for_role(Role.PLANNER)
def walk_go_on(request: ShopRequest, run_id: int) -> HttpResponse:
    """Let a walk that rests go on."""
    return PAGES.go_on(request, _run(request, run_id))


@require_POST
@for_role(Role.PLANNER)
def walk_remove(request: ShopRequest, run_id: int) -> HttpResponse:
    """Remove a walk with its forecasts."""
    return PAGES.remove(request, _run(request, run_id))


@require_GET
@for_role(Role.VIEWER)
def walk_csv(request: ShopRequest, run_id: int) -> HttpResponse:
    """Every forecast of a walk, for a spreadsheet."""
    return csv_answer(f"forecasts-{run_id}.csv", forecast_rows(_run(request, run_id)))


@require_GET
@for_role(Role.VIEWER)
def walk_json(request: ShopRequest, run_id: int) -> HttpResponse:
    """The scores of a walk, as `manage.py backtest --json` prints them."""
    text = json.dumps(_run(request, run_id).result, ensure_ascii=False)
    name = f'attachment; filename="scores-{run_id}.json"'
    return HttpResponse(text, content_type="application/json", headers={"Content-Disposition": name})


def _run(request: ShopRequest, run_id: int) -> BacktestRun:
    return get_object_or_404(walk_runs(request.shop).select_related("shop"), pk=run_id)


def _context(run: BacktestRun) -> dict[str, Any]:
    """What the page of a walk shows, for templates."""
    context: dict[str, Any] = {
        "run": run,
        "progress": progress_of(run),
        "left_out": names_of(run.shop, run.leave_out),
    }
    if run.state != RunState.DONE:
        return context
    parts = [("stages", "Stage", "Stages"), ("jobs", "Job type", "Whole jobs, by type")]
    sections = [(key, noun, title, groups_of(run.result[key])) for key, noun, title in parts]
    return {
        **context,
        "sections": [(*section, _picture(section[-1])) for section in sections if section[-1]],
        "plan": run.result.get("plan"),
        "has_cases": run.cases.exists(),
    }


def _picture(groups: list[Group]) -> Any:
    named = [(_name(group), (group.ours, group.past, group.mean)) for group in groups[:MOST_BARS]]
    return errors_picture(named)


def _name(group: Group) -> str:
    name = "All" if group.name == ALL else group.name
    return name if len(name) <= 40 else f"{name[:39]}…"
