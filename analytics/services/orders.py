"""Searches for a better order of work in the background: wanted, taken in slices, stopped, taken up again.

What is searched on, the book of the open work at the first slice, is kept with the search until its end, so that a
search that is taken up again, by whichever worker, goes on as if it had never been left. Whoever works at one knows it
by its beat, as with walks: one that finds another beat than it wrote itself leaves the search to the other.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from time import monotonic
from typing import Any

from django.db import InterfaceError, OperationalError, transaction
from django.db.models import Q
from django.utils import timezone

from analytics.engine.book import Book, from_bytes, to_bytes
from analytics.engine.order_effect import compare
from analytics.engine.ordering import Effort, Search, Standing
from analytics.models import OrderSearch, RunState
from analytics.selectors.arrivals import with_later
from analytics.selectors.backlog import open_work
from analytics.selectors.models import learned_stages
from analytics.selectors.refusals import REFUSALS, refusal_said
from analytics.services.order_results import result_of
from analytics.services.order_turns import open_queue, queue_digest
from shop.errors import ShopError
from shop.models import Shop, User

log = logging.getLogger(__name__)

SLICE = 8.0
"""Seconds that a search has the worker; then what waits meanwhile has its turn."""

BEAT = 2.0
"""Seconds between two writings of how far it is."""

STALE = timedelta(seconds=60)
"""A search whose beat is older has nobody at it any more."""

KEPT = 10
"""So many of a shop's newest searches are kept, and all that were taken."""

THREADS = 2

UNDER_WAY = (RunState.WANTED, RunState.RUNNING)
FEWEST = 2


class Lost(Exception):
    """The search was stopped, deleted or taken over."""


def search_want(shop: Shop, effort: int, user: User | None, now: datetime) -> OrderSearch:
    """A search that waits for a worker. effort: looks at an order. Raises ShopError where there is none to be made."""
    if OrderSearch.objects.of(shop).filter(state__in=UNDER_WAY).exists():
        raise ShopError("A search is under way already. Wait for it, or stop it, and then begin another.")
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


def search_stop(search: OrderSearch) -> None:
    """Let a search rest where it is. Raises ShopError if it is not under way."""
    if not OrderSearch.objects.filter(pk=search.pk, state__in=UNDER_WAY).update(state=RunState.STOPPED):
        raise ShopError("This search is not under way, so there is nothing to stop.")


def search_go_on(search: OrderSearch, now: datetime) -> None:
    """Let a search that rests or failed go on from where it was. Raises ShopError for any other."""
    others = OrderSearch.objects.of(search.shop).filter(state__in=UNDER_WAY).exclude(pk=search.pk)
    if others.exists():
        raise ShopError("Another search is under way. Wait for it, or stop it, and then let this one go on.")
    rested = now - search.beat_at if search.beat_at else timedelta()
    started_at = (
        search.started_at + rested if search.started_at else None
    )  # so that its speed can be told from it
    rests = OrderSearch.objects.filter(pk=search.pk, state__in=(RunState.STOPPED, RunState.FAILED))
    if not rests.update(state=RunState.WANTED, error="", started_at=started_at):
        raise ShopError("This search is under way or done, so it cannot go on.")


def search_delete(search: OrderSearch) -> None:
    """Remove a search; a worker that is at it leaves off. Raises ShopError while its order is taken."""
    if search.taken_at is not None:
        raise ShopError(
            "This order is taken. Put it back first, or leave it here as the record of what was changed."
        )
    search.delete()


def searches_waiting(now: datetime) -> list[int]:
    """The searches that nobody has been at for a while."""
    since = now - STALE
    unheard = Q(beat_at__lt=since) | Q(beat_at=None, asked_at__lt=since)
    waiting = OrderSearch.objects.filter(unheard, state__in=UNDER_WAY)
    return list(waiting.order_by("pk").values_list("pk", flat=True))


def search_carry_on(search_id: int, seconds: float = SLICE) -> bool:
    """Take a search further for a while; whether there is more to do. Does nothing where somebody else is at it."""
    search = _claimed(search_id, timezone.now())
    if search is None:
        return False
    try:
        return _carried_on(search, seconds)
    except Lost:
        return False
    except REFUSALS as problem:
        _leave(search, state=RunState.FAILED, error=refusal_said(problem), ended_at=timezone.now())
    except (OperationalError, InterfaceError):
        raise  # the database is away: the sweep finds the search when it is back
    except Exception as problem:
        log.exception("The search for an order %s broke off", search_id)
        _leave(search, state=RunState.FAILED, error=f"It broke off: {problem!r}", ended_at=timezone.now())
    return False


def _claimed(search_id: int, now: datetime) -> OrderSearch | None:
    """The search, if nobody is at it and it was got before anybody else."""
    free = Q(state=RunState.WANTED) | Q(state=RunState.RUNNING, beat_at__lt=now - STALE)
    search = OrderSearch.objects.filter(free, pk=search_id).select_related("shop").first()
    if search is None:
        return None
    mine = OrderSearch.objects.filter(free, pk=search_id, beat_at=search.beat_at)
    search.beat_at, search.started_at = _next_beat(search, now), search.started_at or now
    taken = mine.update(state=RunState.RUNNING, beat_at=search.beat_at, started_at=search.started_at)
    return search if taken else None


def _next_beat(search: OrderSearch, now: datetime) -> datetime:
    """Now, but never the beat before: a beat is a name as well."""
    return (
        now if search.beat_at is None or now > search.beat_at else search.beat_at + timedelta(microseconds=1)
    )


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
    _keep(search, state=RunState.DONE, done=search.total, result=result, book=None, ended_at=timezone.now())
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
    _keep(search, book=to_bytes(book), result={}, backlog_digest=digest, done=0)
    return book


def _open_book(shop: Shop, now: datetime) -> Book:
    """The open work as it is, and what may come in, as dates are given by."""
    known = learned_stages(shop)
    return with_later(shop, open_work(shop, None, now, known), known).book()


def _write(search: OrderSearch, work: Search, **facts: Any) -> None:
    result = {"standing": work.now.to_dict()}
    _keep(search, done=min(int(work.now.done), search.total), result=result, **facts)


def _keep(search: OrderSearch, **facts: Any) -> None:
    """Write facts of a search that is still ours. Raises Lost."""
    with _held(search, **facts):
        for name, value in facts.items():
            setattr(search, name, value)


@contextmanager
def _held(search: OrderSearch, **facts: Any) -> Iterator[None]:
    with transaction.atomic():
        rows = OrderSearch.objects.select_for_update().filter(pk=search.pk)
        row = rows.only("beat_at", "state").first()
        if row is None or row.beat_at != search.beat_at or row.state != RunState.RUNNING:
            raise Lost
        yield
        beat = _next_beat(search, timezone.now())
        OrderSearch.objects.filter(pk=search.pk).update(beat_at=beat, **facts)
    search.beat_at = beat


def _leave(search: OrderSearch, **facts: Any) -> None:
    """Write with which facts a search is left, if it is still ours."""
    with suppress(Lost):
        _keep(search, **facts)
