"""Searches for a better order of work in the background.

What is searched on, the book of the open work at the first slice, is kept with the search until its end, so that a
search that is taken up again, by whichever worker, goes on as if it had never been left.
"""

from __future__ import annotations

import logging
from datetime import datetime
from time import monotonic
from typing import Any

from django.utils import timezone

from analytics.engine.book import Book, from_bytes, to_bytes
from analytics.engine.order_effect import compare
from analytics.engine.ordering import Effort, Search, Standing
from analytics.models import OrderSearch, RunState
from analytics.selectors.arrivals import with_later
from analytics.selectors.backlog import open_work
from analytics.selectors.models import learned_stages
from analytics.selectors.refusals import REFUSALS, refusal_said
from analytics.services.long_work import BEAT, LongWorks
from analytics.services.order_results import result_of
from analytics.services.order_turns import open_queue, queue_digest
from shop.errors import ShopError
from shop.models import Shop, User

log = logging.getLogger(__name__)

KEPT = 10
"""So many of a shop's newest searches are kept, and all that were taken."""

THREADS = 2

FEWEST = 2


def search_want(shop: Shop, effort: int, user: User | None, now: datetime) -> OrderSearch:
    """A search that waits for a worker. effort: looks at an order. Raises ShopError where there is none to be made."""
    SEARCHES.check_free(shop)
    queue = open_queue(shop)
    if len(queue) < FEWEST:
        raise ShopError("An order needs two open jobs at least. Promise a date to another enquiry first.")
    if all(job.due_at is None for job in queue):
        raise ShopError("None of the open jobs has a date, so none can be late. Give them dates first.")
    search = OrderSearch.objects.create(
        shop=shop, asked_at=now, asked_by=user, total=effort, seed=int(now.timestamp()), backlog_digest=""
    )
    kept = list(OrderSearch.objects.of(shop).values_list("pk", flat=True)[:KEPT])
    OrderSearch.objects.of(shop).filter(taken_at=None).exclude(pk__in=kept).delete()
    return search


def search_delete(search: OrderSearch) -> None:
    """Remove a search; a worker that is at it leaves off. Raises ShopError while its order is taken."""
    if search.taken_at is not None:
        raise ShopError(
            "This order is taken. Put it back first, or leave it here as the record of what was changed."
        )
    search.delete()


def _carried_on(search: OrderSearch, seconds: float) -> bool:
    book = _taken_up(search)
    stored = search.result.get("standing")
    work = Search(
        book,
        search.seed,
        effort=Effort(search.total),
        standing=Standing.from_dict(stored) if stored else None,
    )
    until, beat = monotonic() + seconds, monotonic()
    for _ in work:
        if work.is_done or monotonic() - beat < BEAT:
            continue
        rests = monotonic() >= until
        _write(search, work, state=RunState.WANTED if rests else RunState.RUNNING)
        if rests:
            return True
        beat = monotonic()
    effect = compare(book, work.best, search.seed, threads=THREADS)
    result = result_of(search.shop, book, work, effect)
    SEARCHES.keep(
        search, state=RunState.DONE, done=search.total, result=result, book=None, ended_at=timezone.now()
    )
    return False


def _taken_up(search: OrderSearch) -> Book:
    """The book that it is searched on: as it was kept, or as the open work is now."""
    try:
        if search.book is not None:
            return from_bytes(bytes(search.book))
    except Exception as problem:  # kept by another version of the program
        log.warning("The search for an order %s begins again: %r", search.pk, problem)
    now = timezone.now()
    digest = queue_digest(open_queue(search.shop))
    book = _open_book(search.shop, now)
    SEARCHES.keep(search, book=to_bytes(book), result={}, backlog_digest=digest, done=0)
    return book


def _open_book(shop: Shop, now: datetime) -> Book:
    """The open work as it is, and what may come in, as dates are given by."""
    known = learned_stages(shop)
    return with_later(shop, open_work(shop, None, now, known), known).book()


def _write(search: OrderSearch, work: Search, **facts: Any) -> None:
    result = {"standing": work.now.to_dict()}
    SEARCHES.keep(search, done=min(int(work.now.done), search.total), result=result, **facts)


def _said(problem: Exception) -> str | None:
    return refusal_said(problem) if isinstance(problem, REFUSALS) else None


SEARCHES = LongWorks(OrderSearch, "search", _carried_on, _said)
"""What searches have in common with other long work."""
