"""Pages of the order of work: a search is asked for, watched and stopped; what it found is taken or left."""

from __future__ import annotations

from functools import partial
from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.engine.work import LeftOut
from analytics.models import OrderSearch, RunState
from analytics.pictures.order import MOST, order_picture
from analytics.selectors.orders import EFFORTS, job_rows, order_searches, progress_of, seconds_for
from analytics.selectors.undated import why_undated
from analytics.services.order_turns import may_take, open_queue, order_put_back, order_take
from analytics.services.orders import FEWEST, SEARCHES, search_delete, search_want
from analytics.services.promising import now_to_the_minute
from analytics.tasks import enqueue_searches
from analytics.views.long_work import LongWorkPages, refused
from jobs.views.common import user_of
from jobs.views.pages import page
from shop.errors import ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role

PAGES = LongWorkPages(
    SEARCHES,
    enqueue_searches,
    one="analytics:order-search",
    all_of="analytics:order",
    whole="analytics/order_search.html",
    part="analytics/_order.html",
)

LISTED = 10


class SearchForm(forms.Form):
    """How long is to be searched."""

    effort = forms.ChoiceField(
        label="How long may it search?", widget=forms.RadioSelect, initial="usual", choices=[]
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data)
        field = self.fields["effort"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - for the type's sake
        names = {"short": "Short", "usual": "Usual", "long": "Long"}
        field.choices = [
            (key, f"{names[key]}: {_about(seconds_for(shop, effort))}") for key, effort in EFFORTS.items()
        ]


def _about(seconds: float) -> str:
    """A time in seconds in words, to the nearest ten where it is long."""
    if seconds < 10:
        return f"about {max(2, round(seconds))} seconds"
    return (
        f"about {round(seconds + 4, -1):.0f} seconds" if seconds < 90 else f"about {seconds / 60:.0f} minutes"
    )


@require_http_methods(["GET", "POST"])
@for_role(Role.VIEWER)
def order(request: ShopRequest) -> HttpResponse:
    """The order of work: searches so far; planners may ask for one."""
    if request.method == "POST":
        return _begin(request)
    return _list(request, SearchForm(shop=request.shop))


@for_role(Role.PLANNER)
def _begin(request: ShopRequest) -> HttpResponse:
    form = SearchForm(request.POST, shop=request.shop)
    if form.is_valid():
        effort = EFFORTS[form.cleaned_data["effort"]]
        wanted = partial(search_want, request.shop, effort, user_of(request), timezone.now())
        try:
            return PAGES.begin(wanted)
        except ShopError as problem:
            refused(form, problem)
    return _list(request, form, 422)


def _list(request: ShopRequest, form: SearchForm, status: int = 200) -> HttpResponse:
    queue = open_queue(request.shop)
    searches = order_searches(request.shop)
    why, left_out = why_undated(request.shop, now_to_the_minute()) if queue else ("", ())
    context = {
        "form": form,
        "why_unknown": why,
        "left_out": left_out,
        "searches": searches[:LISTED],
        "jobs": len(queue),
        "dated": sum(job.due_at is not None for job in queue),
        "few": len(queue) < FEWEST,
        "under_way": SEARCHES.under_way(request.shop).first(),
    }
    return page(request, "analytics/order.html", context, status)


@require_GET
@for_role(Role.VIEWER)
def order_search(request: ShopRequest, search_id: int) -> HttpResponse:
    """One search: how far it is, or what it found; with X-Part only the part that moves."""
    search = _search(request, search_id)
    context = _context(search)
    return PAGES.shown(request, search, context, search.taken_at, context.get("may_take"))


@require_POST
@for_role(Role.PLANNER)
def order_stop(request: ShopRequest, search_id: int) -> HttpResponse:
    """Let a search rest where it is."""
    return PAGES.stop(request, _search(request, search_id))


@require_POST
@for_role(Role.PLANNER)
def order_go_on(request: ShopRequest, search_id: int) -> HttpResponse:
    """Let a search that rests go on."""
    return PAGES.go_on(request, _search(request, search_id))


@require_POST
@for_role(Role.PLANNER)
def order_taken(request: ShopRequest, search_id: int) -> HttpResponse:
    """Take the order: the jobs get their turns."""
    said = "The order is taken. Ahead and the dates of enquiries go by it from now on."
    taken = partial(order_take, now=timezone.now())
    return PAGES.done(request, _search(request, search_id), taken, said)


@require_POST
@for_role(Role.PLANNER)
def order_back(request: ShopRequest, search_id: int) -> HttpResponse:
    """Put the jobs back into the order that they had."""
    said = "The jobs have the order back that they had."
    return PAGES.done(request, _search(request, search_id), order_put_back, said)


@require_POST
@for_role(Role.PLANNER)
def order_remove(request: ShopRequest, search_id: int) -> HttpResponse:
    """Remove a search."""
    return PAGES.remove(request, _search(request, search_id), search_delete)


def _search(request: ShopRequest, search_id: int) -> OrderSearch:
    searches = OrderSearch.objects.of(request.shop).select_related("asked_by", "shop").defer("book")
    return get_object_or_404(searches, pk=search_id)


def _context(search: OrderSearch) -> dict[str, Any]:
    """What the page of a search shows, for templates."""
    progress = progress_of(search)
    context: dict[str, Any] = {
        "run": search,
        "progress": progress,
        "result": search.result,
    }
    if search.state != RunState.DONE:
        return context
    rows = job_rows(search)
    return {
        **context,
        "shown": [row for row in rows if row.moved or row.is_worse],
        "others": [row for row in rows if not (row.moved or row.is_worse)],
        "left_out": [LeftOut(0, row.job.number, row.stuck) for row in rows if row.stuck],
        "worse": sum(row.is_worse for row in rows),
        "picture": order_picture([(row.job.number, row.places, row.moved) for row in rows]),
        "too_many": len(rows) > MOST,
        "may_take": may_take(search),
    }
