"""Taking an order of work: each open job gets the place in the queue that the order gives it; and putting it back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db import transaction

from analytics.engine.turns import APART, FAR
from analytics.models import OrderSearch, RunState
from analytics.selectors.backlog import OPEN
from analytics.services.turns import turns_set
from jobs.models import Job
from shop.errors import ShopError
from shop.models import Shop

LAST = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Queued:
    """An open job in the queue. at: what it is ranked by now; None: after all that have a date."""

    key: int
    number: int
    due_at: datetime | None
    turn_at: datetime | None

    @property
    def at(self) -> datetime | None:
        """What it is ranked by."""
        return self.turn_at or self.due_at


def open_queue(shop: Shop) -> list[Queued]:
    """The promised and begun jobs in the order in which they take their turns."""
    rows = Job.objects.of(shop).filter(status__in=OPEN).order_by("number")
    queue = [Queued(*row) for row in rows.values_list("pk", "number", "due_at", "turn_at")]
    return sorted(queue, key=lambda job: job.at or LAST)


def queue_digest(queue: Sequence[Queued]) -> str:
    """SHA-256, hex, of which jobs are open, their dates and their turns: what an order of them hangs on."""
    facts = [
        [job.key, _said(job.due_at), _said(job.turn_at)] for job in sorted(queue, key=lambda job: job.key)
    ]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()


def turns_for_order(queue: Sequence[Queued], order: Sequence[int]) -> dict[int, datetime | None]:
    """Turns by which the jobs of the queue come in this order of keys: the k-th gets the k-th present place.

    Where two places are one instant the later goes back by a second. The jobs behind the last that has a date
    stay without a turn, or far behind all dates where their numbers alone would not keep them in order.
    """
    jobs = {job.key: job for job in queue}
    places = sorted(job.at for job in queue if job.at is not None)
    dated = [k for k, key in enumerate(order) if jobs[key].at is not None]
    ranked = dated[-1] + 1 if dated else 0
    turns: dict[int, datetime | None] = {}
    reached: datetime | None = None
    for k, key in enumerate(order[:ranked]):
        place = places[k] if k < len(places) else None
        reached = place if reached is None else max(place or reached + APART, reached + APART)
        turns[key] = None if jobs[key].due_at == reached else reached
    tail = order[ranked:]
    if [jobs[key].number for key in tail] == sorted(jobs[key].number for key in tail):
        return turns | dict.fromkeys(tail)
    return turns | {key: FAR + k * timedelta(days=1) for k, key in enumerate(tail)}


@transaction.atomic
def order_take(search: OrderSearch, now: datetime) -> None:
    """Let the open jobs take their turns as the search found. Raises ShopError where that cannot be (any more)."""
    Shop.objects.select_for_update().get(
        pk=search.shop_id
    )  # nobody moves a job between the look and the writing
    search = OrderSearch.objects.of(search.shop).select_for_update(of=("self",)).get(pk=search.pk)
    if search.state != RunState.DONE or not search.result.get("better"):
        raise ShopError("This search has no better order to take.")
    if search.taken_at is not None:
        raise ShopError("This order is taken already.")
    queue = open_queue(search.shop)
    if queue_digest(queue) != search.backlog_digest:
        raise ShopError(
            "Since this search began a job came in, was finished, or got another date or place. Search again: the "
            "order found then will be one of the jobs that are open now."
        )
    turns = turns_for_order(queue, search.result["order"])
    before = turns_set(search.shop, turns)
    search.turns_before = {str(key): _said(turn) for key, turn in before.items()}
    search.result = {**search.result, "turns": {str(key): _said(turn) for key, turn in turns.items()}}
    search.taken_at = now
    search.save(update_fields=["turns_before", "result", "taken_at"])


@transaction.atomic
def order_put_back(search: OrderSearch) -> None:
    """Give the jobs the turns back that they had. Raises ShopError where somebody gave one another turn meanwhile."""
    Shop.objects.select_for_update().get(pk=search.shop_id)
    search = OrderSearch.objects.of(search.shop).select_for_update(of=("self",)).get(pk=search.pk)
    if search.taken_at is None:
        raise ShopError("This order is not taken, so there is nothing to put back.")
    moved = [job for job in _still_open(search) if _said(job.turn_at) != search.result["turns"][str(job.pk)]]
    if moved:
        raise ShopError(
            f"Job {moved[0].number} was given another place since. Move the jobs on Ahead, one by one, or search again."
        )
    before = search.turns_before
    turns_set(search.shop, {job.pk: _read(before[str(job.pk)]) for job in _still_open(search)})
    search.result = {key: value for key, value in search.result.items() if key != "turns"}
    search.turns_before, search.taken_at = {}, None
    search.save(update_fields=["turns_before", "result", "taken_at"])


def may_take(search: OrderSearch) -> bool:
    """Whether the open jobs are still those that the order is of."""
    better = search.state == RunState.DONE and bool(search.result.get("better"))
    return (
        better and search.taken_at is None and queue_digest(open_queue(search.shop)) == search.backlog_digest
    )


def _still_open(search: OrderSearch) -> list[Job]:
    keys: Mapping[str, str | None] = search.turns_before
    rows = Job.objects.of(search.shop).filter(status__in=OPEN, pk__in=[int(key) for key in keys])
    return list(rows.order_by("number"))


def _said(at: datetime | None) -> str | None:
    return at.astimezone(UTC).isoformat() if at is not None else None


def _read(said: str | None) -> datetime | None:
    return datetime.fromisoformat(said) if said is not None else None
