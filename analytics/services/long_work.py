"""Long work in the background: wanted, taken in slices, stopped, taken up again, by whichever worker.

Whoever works at a row knows it by its beat: one that finds another beat than it wrote itself leaves the row to the
other. So a worker that is killed loses at most a slice, and no two are at one row.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from typing import Any, Generic, TypeVar, cast

from django.db import InterfaceError, OperationalError, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from analytics.models import LongWork, RunState
from shop.errors import ShopError
from shop.models import Shop

log = logging.getLogger(__name__)

SLICE = 8.0
"""Seconds that one piece of work has the worker; then what waits meanwhile has its turn."""

BEAT = 2.0
"""Seconds between two writings of how far it is."""

STALE = timedelta(seconds=60)
"""A row whose beat is older has nobody at it any more."""

UNDER_WAY = (RunState.WANTED, RunState.RUNNING)

Work = TypeVar("Work", bound=LongWork)


class Lost(Exception):
    """The row was stopped, deleted or taken over."""


class LongWorks(Generic[Work]):
    """What all work of one kind has in common. noun: what a person calls it, as 'walk'.

    further: takes a row that is ours further for so many seconds; whether there is more to do. said: why it could
    not be done, in words; None for what nobody foresaw. again: what is put right by another slice.
    """

    def __init__(
        self,
        model: type[Work],
        noun: str,
        further: Callable[[Work, float], bool],
        said: Callable[[Exception], str | None],
        again: tuple[type[Exception], ...] = (),
    ) -> None:
        self.model, self.noun = model, noun
        self._further, self._said, self._again = further, said, again

    def of(self, shop: Shop) -> QuerySet[Work]:
        """A shop's rows, the newest first."""
        return self._all().filter(shop=shop)

    def under_way(self, shop: Shop) -> QuerySet[Work]:
        """A shop's rows that wait for a worker or have one."""
        return self.of(shop).filter(state__in=UNDER_WAY)

    def check_free(self, shop: Shop) -> None:
        """Raise ShopError while one is under way."""
        if self.under_way(shop).exists():
            raise ShopError(
                f"A {self.noun} is under way already. Wait for it, or stop it, and then begin another."
            )

    def stop(self, row: Work) -> None:
        """Let it rest where it is. Raises ShopError if it is not under way."""
        if not self._rows(row.pk).filter(state__in=UNDER_WAY).update(state=RunState.STOPPED):
            raise ShopError(f"This {self.noun} is not under way, so there is nothing to stop.")

    def go_on(self, row: Work, now: datetime) -> None:
        """Let one that rests or failed go on from where it was. Raises ShopError for any other."""
        if self.under_way(row.shop).exclude(pk=row.pk).exists():
            raise ShopError(
                f"Another {self.noun} is under way. Wait for it, or stop it, and then let this one go on."
            )
        rested = now - row.beat_at if row.beat_at else timedelta()
        started_at = row.started_at + rested if row.started_at else None  # its speed can be told from it
        rests = self._rows(row.pk).filter(state__in=(RunState.STOPPED, RunState.FAILED))
        if not rests.update(state=RunState.WANTED, error="", started_at=started_at):
            raise ShopError(f"This {self.noun} is under way or done, so it cannot go on.")

    def waiting(self, now: datetime) -> list[int]:
        """Keys of those that nobody has been at for a while."""
        since = now - STALE
        unheard = Q(beat_at__lt=since) | Q(beat_at=None, asked_at__lt=since)
        rows = self._all().filter(unheard, state__in=UNDER_WAY)
        return list(rows.order_by("pk").values_list("pk", flat=True))

    def carry_on(self, pk: int, seconds: float = SLICE) -> bool:
        """Take a row further for a while; whether there is more to do. Nothing where somebody else is at it."""
        row = self.claimed(pk, timezone.now())
        if row is None:
            return False
        try:
            return self._further(row, seconds)
        except Lost:
            return False
        except (OperationalError, InterfaceError):
            raise  # the database is away: the sweep finds the row when it is back
        except self._again:
            self._leave(row, state=RunState.WANTED)
            return True
        except Exception as problem:
            said = self._said(problem)
            if said is None:
                log.exception("The %s %s broke off", self.noun, pk)
                said = f"It broke off: {problem!r}"
            self._leave(row, state=RunState.FAILED, error=said, ended_at=timezone.now())
        return False

    def claimed(self, pk: int, now: datetime) -> Work | None:
        """The row, if nobody is at it and it was got before anybody else."""
        free = Q(state=RunState.WANTED) | Q(state=RunState.RUNNING, beat_at__lt=now - STALE)
        row = self._rows(pk).filter(free).select_related("shop").first()
        if row is None:
            return None
        mine = self._rows(pk).filter(free, beat_at=row.beat_at)
        row.beat_at, row.started_at = _next_beat(row, now), row.started_at or now
        taken = mine.update(state=RunState.RUNNING, beat_at=row.beat_at, started_at=row.started_at)
        return row if taken else None

    @contextmanager
    def held(self, row: Work, **facts: Any) -> Iterator[None]:
        """Write facts of a row that is still ours, and the next beat, together with what is written inside.

        Raises Lost.
        """
        with transaction.atomic():
            found = self._rows(row.pk).select_for_update().only("beat_at", "state").first()
            if found is None or found.beat_at != row.beat_at or found.state != RunState.RUNNING:
                raise Lost
            yield
            beat = _next_beat(row, timezone.now())
            self._rows(row.pk).update(beat_at=beat, **facts)
        row.beat_at = beat
        for name, value in facts.items():
            setattr(row, name, value)

    def keep(self, row: Work, **facts: Any) -> None:
        """Write facts of a row that is still ours. Raises Lost."""
        with self.held(row, **facts):
            pass

    def _leave(self, row: Work, **facts: Any) -> None:
        """Write with which facts a row is left, if it is still ours."""
        with suppress(Lost):
            self.keep(row, **facts)

    def _rows(self, pk: int) -> QuerySet[Work]:
        return self._all().filter(pk=pk)

    def _all(self) -> QuerySet[Work]:
        return cast("QuerySet[Work]", self.model._default_manager.all())


def _next_beat(row: LongWork, now: datetime) -> datetime:
    """Now, but never the beat before: a beat is a name as well."""
    return now if row.beat_at is None or now > row.beat_at else row.beat_at + timedelta(microseconds=1)
