"""Taps as the fold reads them, and which of them count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
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

    def __post_init__(self) -> None:
        """Keep instants in UTC: within one zone Python compares and adds by the wall clock."""
        for name in ("at", "until"):
            instant = getattr(self, name)
            if instant is not None and instant.tzinfo is not UTC:
                object.__setattr__(self, name, instant.astimezone(UTC))


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
    voids = [event for event in by_id.values() if event.kind == "void"]
    unsettled = Counter(void.corrects for void in voids)
    settled = [void for void in voids if not unsettled[void.id]]
    gone: set[UUID | None] = set()
    while settled:  # the last takings-back first; those in a circle are never reached
        void = settled.pop()
        if void.id not in gone:
            gone.add(void.corrects)
        unsettled[void.corrects] -= 1
        target = by_id.get(void.corrects) if void.corrects else None
        if target is not None and target.kind == "void" and not unsettled[target.id]:
            settled.append(target)
    kept = [event for event in by_id.values() if event.kind != "void" and event.id not in gone]
    return sorted(kept, key=lambda event: (event.at, ORDER.index(event.kind), str(event.id)))
