"""Work in the background. A task carries no state: it names a row and does what the row still needs."""

import logging

from celery import shared_task
from kombu.exceptions import OperationalError

log = logging.getLogger(__name__)


@shared_task
def learn_stage(stage_id: int) -> None:
    """Learn one finished stage."""


@shared_task
def sweep() -> None:
    """Learn what no message told us of."""


def enqueue_learning(stage_id: int) -> None:
    """Ask a worker to learn the stage. With the broker down this is only logged: the sweep will find it."""
    try:
        learn_stage.delay(stage_id)
    except OperationalError:
        log.warning("The broker is down; stage %s waits for the sweep.", stage_id)
