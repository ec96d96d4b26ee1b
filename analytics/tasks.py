"""Work in the background. A task carries no state: it names a row and does what the row still needs."""

import logging
from collections.abc import Iterable

from celery import shared_task

from analytics.services import learning

log = logging.getLogger(__name__)


@shared_task
def learn_stage(stage_id: int) -> None:
    """Learn one stage that the stopwatch moved."""
    learning.learn_stage(stage_id)


@shared_task
def sweep() -> None:
    """Learn what no message told us of."""
    learning.sweep_all()


def enqueue_learning(stage_ids: Iterable[int]) -> None:
    """Ask the workers to learn the stages. With the broker down this is only logged: the sweep will find them."""
    for stage_id in stage_ids:
        try:
            # The tap is stored already and its answer must not wait: one try.
            learn_stage.apply_async((stage_id,), retry=False)
        except Exception as error:  # whatever a broker raises: of a socket, a folder, a protocol
            log.warning("The broker took no message (%s). Stage %s waits for the sweep.", error, stage_id)
            return
