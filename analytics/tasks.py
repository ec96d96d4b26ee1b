"""Work in the background. A task carries no state: it names a row and does what the row still needs."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from typing import Any

from celery import Task, shared_task
from django.utils import timezone

from analytics.services import learning, relearning, walks_due, watching
from analytics.services.orders import SEARCHES
from analytics.services.replays import REPLAYS
from analytics.services.telling import telling_is_due, telling_send_next
from analytics.services.walks import WALKS
from jobs.models import Stage
from shop.models import Shop

log = logging.getLogger(__name__)


@shared_task
def learn_stage(stage_id: int) -> None:
    """Learn one stage that the stopwatch moved; then see how the open jobs of its shop stand."""
    learning.learn_stage(stage_id)
    enqueue_watches(Stage.objects.filter(pk=stage_id).values_list("shop_id", flat=True))


@shared_task
def relearn_shop(shop_id: int) -> None:
    """Learn a shop again whose kinds of stage depend on other drivers than before."""
    relearning.relearn_outdated(Shop.objects.get(pk=shop_id))


@shared_task
def sweep() -> None:
    """Learn what no message told us of, and take up the walks, searches and replays that nobody is at."""
    relearning.relearn_all()
    learning.sweep_all()
    enqueue_walks(WALKS.waiting(timezone.now()))
    enqueue_searches(SEARCHES.waiting(timezone.now()))
    enqueue_replays(REPLAYS.waiting(timezone.now()))


@shared_task
def carry_on_walk(run_id: int) -> None:
    """Take a walk through the past further, and come back for the rest when others had their turn."""
    if WALKS.carry_on(run_id):
        enqueue_walks([run_id])


@shared_task
def carry_on_search(search_id: int) -> None:
    """Take a search for an order of work further, and come back for the rest when others had their turn."""
    if SEARCHES.carry_on(search_id):
        enqueue_searches([search_id])


@shared_task
def carry_on_replay(replay_id: int) -> None:
    """Take a replay of the past further, and come back for the rest when others had their turn."""
    if REPLAYS.carry_on(replay_id):
        enqueue_replays([replay_id])


@shared_task
def want_walks() -> None:
    """Want a walk where jobs have finished since the last one."""
    enqueue_walks(walks_due.runs_due(timezone.now()))


@shared_task
def watch_shop(shop_id: int) -> None:
    """Work out how a shop's open jobs stand, unless that is known, and tell of what slips or is possible again."""
    watching.watch_shop(Shop.objects.get(pk=shop_id), timezone.now())
    enqueue_tellings()


@shared_task
def watch() -> None:
    """Watch the shops in which something happened, or for which it is time again; and send what waits."""
    enqueue_watches(watching.shops_due(timezone.now()))
    enqueue_tellings()


@shared_task
def send_tellings() -> None:
    """Send the messages that are due, one after the other, but to nobody who was not reached just now."""
    silent: set[int] = set()
    while telling_send_next(timezone.now(), silent) is not None:
        pass


def enqueue_learning(stage_ids: Iterable[int]) -> None:
    """Ask the workers to learn the stages. With the broker down this is only logged: the sweep will find them."""
    _enqueue(learn_stage, stage_ids, "Stage")


def enqueue_relearning(shop_id: int) -> None:
    """Ask the workers to learn a shop again; as with `enqueue_learning`, the sweep will see its marks."""
    _enqueue(relearn_shop, [shop_id], "Shop")


def enqueue_walks(run_ids: Iterable[int]) -> None:
    """Ask the workers to carry on these walks; as with `enqueue_learning`, the sweep finds them otherwise."""
    _enqueue(carry_on_walk, run_ids, "Walk")


def enqueue_searches(search_ids: Iterable[int]) -> None:
    """Ask the workers to carry on these searches for an order; the sweep finds them otherwise."""
    _enqueue(carry_on_search, search_ids, "Search")


def enqueue_replays(replay_ids: Iterable[int]) -> None:
    """Ask the workers to carry on these replays; the sweep finds them otherwise."""
    _enqueue(carry_on_replay, replay_ids, "Replay")


def enqueue_watches(shop_ids: Iterable[int]) -> None:
    """Ask the workers to watch these shops; a lost message is made up for within a minute."""
    _enqueue(watch_shop, shop_ids, "Shop")


def enqueue_tellings() -> None:
    """Ask the workers to send what waits, if anything does; as with `enqueue_watches`."""
    if telling_is_due(timezone.now()):
        _send(send_tellings, ())


def _enqueue(task: Task[[int], Any], ids: Iterable[int], what: str) -> None:
    for one in ids:
        if not _send(task, (one,)):
            log.warning("%s %s waits for the sweep.", what, one)
            return


def _send(task: Task[Any, Any], arguments: tuple[int, ...]) -> bool:
    """Give a task to the workers; whether the broker took it."""
    try:
        # The tap is stored already and its answer must not wait: one try.
        task.apply_async(arguments, retry=False)
    except Exception as error:  # whatever a broker raises: of a socket, a folder, a protocol
        log.warning("The broker took no message (%s).", error)
        return False
    return True
