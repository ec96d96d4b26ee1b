"""What happens in analytics when the stopwatch moved."""

from collections.abc import Callable, Collection
from functools import partial
from typing import Any

from django.db import transaction
from django.dispatch import receiver

from analytics.selectors.given_away import given_away
from analytics.services.learning import learn_shop
from analytics.services.relearning import outdate
from analytics.tasks import enqueue_learning, enqueue_relearning
from jobs.signals import drivers_changed, history_written, jobs_going, stages_folded
from shop.models import Shop


@receiver(stages_folded)
def learn_folded(stage_ids: list[int], **_: Any) -> None:
    """Hand each refolded stage to the worker; the sweep finds those that a dead broker did not take."""
    enqueue_learning(stage_ids)


@receiver(history_written)
def learn_history(shop: Shop, progress: Callable[[str], None], **_: Any) -> None:
    """Learn a shop's whole history at once: a log was imported, or the demo made."""
    learn_shop(shop, progress)


@receiver(drivers_changed)
def relearn_drivers(shop: Shop, kind_ids: Collection[int], **_: Any) -> None:
    """Mark what was learned with other drivers, and hand the shop to a worker once that is stored."""
    outdate(shop, kind_ids)
    transaction.on_commit(partial(enqueue_relearning, shop.pk))


@receiver(jobs_going)
def keep_given(shop: Shop, job_ids: Collection[int], **_: Any) -> list[tuple[int, str]]:
    """Say which jobs must stay, for something of theirs was given to a customer."""
    return given_away(shop, job_ids)
