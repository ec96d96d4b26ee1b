"""Taps as the fold reads them, and which of them count."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

# At one instant what ends comes before what begins.
ORDER = ("sitting", "finish", "aside", "pause", "leave", "next", "resume", "start", "void")


@dataclass(frozen=True)
class Event:
    """One tap. at, until: aware; until, hands_on_min: of a recorded sitting. The keys are the rows' own."""

    id: UUID
    kind: str
    stage: int
    at: datetime
    person: int | None = None
    machine: int | None = None
    cause: int | None = None
    to_stage: int | None = None
    until: datetime | None = None
    hands_on_min: float | None = None
    corrects: UUID | None = None


@dataclass(frozen=True)
class HoldFact:
    """A hold stage: the stages it follows, those that follow it, and its minutes if they are fixed."""

    before: tuple[int, ...] = ()
    after: tuple[int, ...] = ()
    minutes: int | None = None


@dataclass(frozen=True)
class Facts:
    """What the fold must know of the shop.

    start_only: stages that need somebody only at their start. alone: machines that may run with nobody beside them.
    capacity: of machines that take more than one stage. other_work: the cause of a pause that nobody tapped.
    """

    start_only: frozenset[int] = frozenset()
    alone: frozenset[int] = frozenset()
    capacity: Mapping[int, int] = field(default_factory=dict)
    other_work: int | None = None
    holds: Mapping[int, HoldFact] = field(default_factory=dict)


def counting(events: Iterable[Event]) -> list[Event]:
    """The events that count, each once, in their own order: those that were taken back are gone.

    A void of a void restores. Voids that take each other back in a circle count for nothing.
    """
    by_id = {event.id: event for event in events}
    voids: dict[UUID, list[Event]] = {}
    for event in by_id.values():
        if event.kind == "void" and event.corrects is not None and not _circular(event, by_id):
            voids.setdefault(event.corrects, []).append(event)
    gone: dict[UUID, bool] = {}

    def is_gone(one: UUID) -> bool:
        if one not in gone:
            gone[one] = any(not is_gone(void.id) for void in voids.get(one, ()))
        return gone[one]

    kept = [event for event in by_id.values() if event.kind != "void" and not is_gone(event.id)]
    return sorted(kept, key=lambda event: (event.at, ORDER.index(event.kind), str(event.id)))


def _circular(void: Event, by_id: Mapping[UUID, Event]) -> bool:
    seen = {void.id}
    one: Event | None = void
    while one is not None and one.kind == "void" and one.corrects is not None:
        if one.corrects in seen:
            return True
        seen.add(one.corrects)
        one = by_id.get(one.corrects)
    return False
