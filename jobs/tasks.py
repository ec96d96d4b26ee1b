"""Work in the background. A task carries no state: it names a row and does what the row still needs."""

import logging
from typing import Any

from celery import shared_task
from django.utils import timezone

from jobs.services import importing, taking_back

log = logging.getLogger(__name__)


@shared_task
def bring_in(draft_id: int) -> None:
    """Bring an uploaded log in."""
    importing.draft_bring_in(draft_id)


@shared_task
def take_back(draft_id: int) -> None:
    """Take an import back."""
    taking_back.import_taken_back(draft_id)


@shared_task
def sweep_imports() -> None:
    """Bring in and take back what no message told us of, and forget old uploads."""
    importing.drafts_sweep(timezone.now())
    taking_back.takings_sweep(timezone.now())


def enqueue_bring_in(draft_id: int) -> None:
    """Ask the workers to bring a log in."""
    _enqueue(bring_in, draft_id)


def enqueue_take_back(draft_id: int) -> None:
    """Ask the workers to take an import back."""
    _enqueue(take_back, draft_id)


def _enqueue(task: Any, draft_id: int) -> None:
    """Tell the workers. With the broker down this is only logged: the sweep will find it."""
    try:
        task.apply_async((draft_id,), retry=False)
    except Exception as error:  # whatever a broker raises: of a socket, a folder, a protocol
        log.warning("The broker took no message (%s). Log %s waits for the sweep.", error, draft_id)
