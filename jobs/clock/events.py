"""Taps as the fold reads them, and which of them count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from uuid import UUID

# At one instant what ends comes before what begins, a lap before what ends its sitting; what is said of all that, last.
ORDER = (
    "sitting", "lap", "finish", "aside", "pause", "leave", "next", "resume", "start", "again", "vouch", "void",
)  # fmt: skip


@dataclass(frozen=True)
class Event:
    """One tap. at, until, made: aware; until, hands_on_min: of a recorded sitting. The keys are the rows' own.

    corrects: the event that this one takes out of the count; unless it is a void, it stands in its place.
    made: when it became known, which settles which of two replacements of one event stands.
    """

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
    element: int | None = None
    made: datetime | None = None

    def __post_init__(self) -> None:
        """Keep instants in UTC: within one zone Python compares and adds by the wall clock."""
        for name in ("at", "until", "made"):
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
    follows: the stages right after each stage, those left out skipped; read only where work is done again.
    """

    start_only: frozenset[int] = frozenset()
    alone: frozenset[int] = frozenset()
    capacity: Mapping[int, int] = field(default_factory=dict)
    other_work: int | None = None
    holds: Mapping[int, HoldFact] = field(default_factory=dict)
    follows: Mapping[int, tuple[int, ...]] = field(default_factory=dict)


def counting(events: Iterable[Event]) -> list[Event]:
    """The events that count, each once, in their own order.

    What an event that counts corrects is gone: a void of a void restores, a void of a replacement restores what it
    replaced. A replacement of a replacement stands in the place of the first. Of several that stand in one place the
    one made last counts. Events that correct each other in a circle count for nothing.
    """
    by_id = {event.id: event for event in events}
    standing = _settled(by_id)[0]
    last: dict[UUID, Event] = {}
    for event in standing:
        place = _place(event, by_id)
        if event.kind != "void" and (place not in last or _made(event) > _made(last[place])):
            last[place] = event
    return sorted(last.values(), key=lambda event: (event.at, ORDER.index(event.kind), str(event.id)))


def is_gone(key: UUID, events: Iterable[Event]) -> bool:
    """Whether an event is taken back or replaced, by these events that correct it, or correct those that do."""
    return key in _settled({event.id: event for event in events})[1]


def _settled(by_id: Mapping[UUID, Event]) -> tuple[list[Event], set[UUID]]:
    """The events, voids too, that nothing which counts corrects; and the keys of all that something does."""
    unsettled = Counter(event.corrects for event in by_id.values() if event.corrects)
    settled = [event for event in by_id.values() if not unsettled[event.id]]
    gone: set[UUID] = set()
    replaced: set[UUID] = set()
    standing = []
    while settled:  # the last corrections first; those in a circle are never reached
        event = settled.pop()
        if event.id not in gone:
            standing.append(event)
        target = event.corrects
        if target is None:
            continue
        if event.id not in gone or (event.id in replaced and event.kind != "void"):
            gone.add(target)
            if event.kind != "void":
                replaced.add(target)
        unsettled[target] -= 1
        if not unsettled[target] and target in by_id:
            settled.append(by_id[target])
    return standing, gone


def _place(event: Event, by_id: Mapping[UUID, Event]) -> UUID:
    """The key of the first event in whose place this one stands; its own where it replaces none."""
    seen = {event.id}
    while event.corrects is not None and event.kind != "void" and event.corrects not in seen:
        seen.add(event.corrects)
        if event.corrects not in by_id:
            return event.corrects
        event = by_id[event.corrects]
    return event.id


def _made(event: Event) -> tuple[datetime, str]:
    return (event.made or event.at, str(event.id))
