"""Answers to questions about the clock: it was right, or somebody stopped earlier."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from analytics.selectors.doubts import Doubt, doubts
from jobs.models import Stage
from jobs.services.corrections import forgotten_stop, vouch
from shop.errors import BadInput, ShopError
from shop.models import Person, Shop, User
from shop.words import say_instant

SAME = timedelta(seconds=1)
RIGHT = "Asked on the floor: it is right"
FORGOTTEN = "Asked on the floor: stop was forgotten"
GONE = "That question has been answered already."


@dataclass(frozen=True)
class Asked:
    """Which stretch an answer is about, and when it is given: the stage, and when the stretch began (both aware).

    said_by: who answers, where the log-in does not say it, as on a device that several share.
    """

    shop: Shop
    stage: Stage
    starts_at: datetime
    now: datetime
    said_by: Person | None = None

    def reason(self, words: str) -> str:
        """Why, and who says so."""
        return f"{words} ({self.said_by})" if self.said_by else words


@transaction.atomic
def doubt_answer_right(asked: Asked, *, user: User) -> Doubt:
    """The stretch was as the clock says. Raises ShopError where that is no longer asked."""
    doubt = _doubt(asked)
    vouch(asked.stage, doubt.ends_at or asked.now, reason=asked.reason(RIGHT), user=user, now=asked.now)
    return doubt


@transaction.atomic
def doubt_answer_stopped(asked: Asked, *, user: User, stopped_at: datetime, finished: bool) -> Doubt:
    """The stretch ended at `stopped_at` (aware), and the stage with it if finished.

    Raises BadInput for an instant outside the stretch, ShopError where that is no longer asked.
    """
    doubt = _doubt(asked)
    until = doubt.ends_at or asked.now
    if not doubt.starts_at < stopped_at < until:
        today = asked.shop.local(asked.now).date()
        first, last = (say_instant(asked.shop.local(at), today) for at in (doubt.starts_at, until))
        raise BadInput(f"Give a time after {first} and before {last}.", field="stopped_at")
    reason = asked.reason(FORGOTTEN)
    forgotten_stop(
        asked.stage, doubt.stopper, stopped_at, finished=finished, reason=reason, user=user, now=asked.now
    )
    return doubt


def _doubt(asked: Asked) -> Doubt:
    """The open question of this stretch. The shop's row is the lock: of two answers at once one finds it answered."""
    Shop.objects.select_for_update().get(pk=asked.shop.pk)
    for doubt in doubts(asked.shop, asked.now):
        if doubt.stage.pk == asked.stage.pk and abs(doubt.starts_at - asked.starts_at) < SAME:
            return doubt
    raise ShopError(GONE)
