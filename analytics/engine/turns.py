"""Places in a queue that is ranked by instants: which turns put a job where it is wanted. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

APART = timedelta(seconds=1)
"""Between the turns of two jobs that are put one after the other where their dates leave no room."""

FAR = datetime(9000, 1, 1, tzinfo=UTC)
"""Turns of jobs without a date that were put in an order by hand: after every date."""

SNAP = timedelta(minutes=15)
"""Stages are pinned to whole quarters of an hour."""


@dataclass(frozen=True)
class Queued:
    """A job of the queue, for `turns_for`. at: what it is ranked by; None: after all that have a date."""

    key: int
    at: datetime | None


def snapped(at: datetime) -> datetime:
    """The nearest whole quarter of an hour."""
    at = at.astimezone(UTC)
    day = at.replace(hour=0, minute=0, second=0, microsecond=0)
    return day + round((at - day) / SNAP) * SNAP


def turns_for(queue: Sequence[Queued], key: int, before: int | None) -> dict[int, datetime | None]:
    """The turns by which one job comes right before another one, or last (None); of as few jobs as need be.

    queue: all jobs in their order. Where the dates of its new neighbours leave room it alone gets a turn, half-way
    between; else those after it move up by seconds; and jobs without a date that are put in order get far turns.
    """
    rest = [job for job in queue if job.key != key]
    place = len(rest) if before is None else next(i for i, job in enumerate(rest) if job.key == before)
    turns: dict[int, datetime | None] = {}
    reached: datetime | None = None
    for job in rest[:place]:  # only the undated ones before it have no instant to come after
        reached = job.at if job.at is not None else _after(reached, FAR, turns, job.key)
    at = _between(reached, rest[place].at if place < len(rest) else None)
    turns[key] = at
    for job in rest[place:]:
        if job.at is None or job.at > at:
            break
        at = at + APART
        turns[job.key] = at
    return turns


def _between(reached: datetime | None, after: datetime | None) -> datetime:
    """A turn after `reached` and before `after`; where there is no room, right after `reached`."""
    hour = timedelta(hours=1)
    if reached is None:
        return FAR if after is None else after - hour
    if after is None:
        return reached + hour
    return reached + ((after - reached) / 2 if after - reached > 2 * APART else APART)


def _after(
    reached: datetime | None, least: datetime, turns: dict[int, datetime | None], key: int
) -> datetime:
    """A turn for a job without a date, after what was reached."""
    at = least if reached is None or reached < least else reached + timedelta(days=1)
    turns[key] = at
    return at
