"""Pages of the order of work: a search is asked for, watched and stopped; what it found is taken or left."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from analytics.models import OrderSearch, RunState
from analytics.pictures.order import MOST, order_picture
from analytics.selectors.orders import EFFORTS, job_rows, order_searches, progress_of, seconds_for
from analytics.services.order_turns import may_take, open_queue, order_put_back, order_take
from analytics.services.orders import (
    FEWEST,
    UNDER_WAY,
    search_delete,
    search_go_on,
    search_stop,
    search_want,
)
from analytics.tasks import enqueue_searches
from jobs.views.common import user_of
from jobs.views.pages import page
from shop.errors import ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role

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
        try:
            with transaction.atomic():
                effort = EFFORTS[form.cleaned_data["effort"]]
                search = search_want(request.shop, effort, user_of(request), timezone.now())
                transaction.on_commit(partial(enqueue_searches, [search.pk]))
            return redirect("analytics:order-search", search_id=search.pk)
        except ShopError as problem:
            form.add_error(None, problem.message)
    return _list(request, form, 422)


def _list(request: ShopRequest, form: SearchForm, status: int = 200) -> HttpResponse:
    queue = open_queue(request.shop)
    searches = order_searches(request.shop)
    context = {
        "form": form,
        "searches": searches[:LISTED],
        "jobs": len(queue),
        "dated": sum(job.due_at is not None for job in queue),
        "few": len(queue) < FEWEST,
        "under_way": searches.filter(state__in=UNDER_WAY).first(),
    }
    return page(request, "analytics/order.html", context, status)


@require_GET
@for_role(Role.VIEWER)
def order_search(request: ShopRequest, search_id: int) -> HttpResponse:
    """One search: how far it is, or what it found; with X-Part only the part that moves."""
    search = _search(request, search_id)
    context = _context(search)
    state = (
        f"{search.pk} {search.state} {search.done} {search.error} {search.taken_at} {context.get('may_take')}"
    )
    tag = f'"{salted_hmac("order", f"{state} {request.membership.role}").hexdigest()[:16]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, X-Part"}
    part = "X-Part" in request.headers
    if part and request.headers.get("If-None-Match") == tag:
        return HttpResponse(status=304, headers=headers)
    name = "analytics/_order.html" if part else "analytics/order_search.html"
    answer = page(request, name, {**context, "tag": tag})
    for header, value in headers.items():
        answer[header] = value
    return answer


@require_POST
@for_role(Role.PLANNER)
def order_stop(request: ShopRequest, search_id: int) -> HttpResponse:
    """Let a search rest where it is."""
    return _done(request, search_id, search_stop)


@require_POST
@for_role(Role.PLANNER)
def order_go_on(request: ShopRequest, search_id: int) -> HttpResponse:
    """Let a search that rests go on."""

    def go_on(search: OrderSearch) -> None:
        with transaction.atomic():
            search_go_on(search, timezone.now())
            transaction.on_commit(partial(enqueue_searches, [search.pk]))

    return _done(request, search_id, go_on)


@require_POST
@for_role(Role.PLANNER)
def order_taken(request: ShopRequest, search_id: int) -> HttpResponse:
    """Take the order: the jobs get their turns."""
    said = "The order is taken. Ahead and the dates of enquiries go by it from now on."
    return _done(request, search_id, lambda search: order_take(search, timezone.now()), said)


@require_POST
@for_role(Role.PLANNER)
def order_back(request: ShopRequest, search_id: int) -> HttpResponse:
    """Put the jobs back into the order that they had."""
    return _done(request, search_id, order_put_back, "The jobs have the order back that they had.")


@require_POST
@for_role(Role.PLANNER)
def order_remove(request: ShopRequest, search_id: int) -> HttpResponse:
    """Remove a search."""
    try:
        search_delete(_search(request, search_id))
    except ShopError as problem:
        messages.error(request, problem.message)
        return redirect("analytics:order-search", search_id=search_id)
    messages.success(request, "The search is removed.")
    return redirect("analytics:order")


def _done(
    request: ShopRequest, search_id: int, action: Callable[[OrderSearch], None], said: str = ""
) -> HttpResponse:
    """Do something with a search, say how it went, and show it again."""
    try:
        action(_search(request, search_id))
        if said:
            messages.success(request, said)
    except ShopError as problem:
        messages.error(request, problem.message)
    return redirect("analytics:order-search", search_id=search_id)


def _search(request: ShopRequest, search_id: int) -> OrderSearch:
    searches = OrderSearch.objects.of(request.shop).select_related("asked_by", "shop").defer("book")
    return get_object_or_404(searches, pk=search_id)


def _context(search: OrderSearch) -> dict[str, Any]:
    """What the page of a search shows, for templates."""
    progress = progress_of(search)
    context: dict[str, Any] = {
        "run": search,
        "under_way": search.state in UNDER_WAY,
        "may_go_on": search.state in (RunState.STOPPED, RunState.FAILED),
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
        "worse": sum(row.is_worse for row in rows),
        "picture": order_picture([(row.job.number, row.places, row.moved) for row in rows]),
        "too_many": len(rows) > MOST,
        "may_take": may_take(search),
    }
