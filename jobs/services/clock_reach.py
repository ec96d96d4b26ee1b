"""How far a tap reaches: the stages that it may change, and the events that a fold of those must know."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import BooleanField, Case, ExpressionWrapper, Q, QuerySet, When, Window
from django.db.models.functions import Lag

from jobs.clock import ORDER, Event
from jobs.models import Category, ClockEvent, Interval, IntervalKind, TapKind
from shop.models import Shop

CHUNK = 400
"""Keys looked up at a time: SQLite takes a limited number of parameters."""

STARTS = (TapKind.START, TapKind.NEXT, TapKind.RESUME)
MOVES_NOBODY = Q(kind=TapKind.NEXT, to_stage__kind__category=Category.HOLD) | (
    ~Q(kind=TapKind.NEXT) & Q(stage__kind__category=Category.HOLD)
)
"""A start of a hold: nobody is at one."""

COLUMNS = (
    "pk", "kind", "stage_id", "at", "person_id", "machine_id", "cause_id", "to_stage_id", "until", "hands_on_min",
    "corrects", "element_id", "received_at",
)  # fmt: skip
"""Of an event, in the order of `Event`'s own fields."""


def _corrected(shop: Shop) -> Q:
    """Whether there is any event that corrects this one: then it is not certain that it counts.

    Asked once for the question, not for each row: few events correct any, and by this bound the index finds them.
    """
    correcting = ClockEvent.objects.of(shop).filter(corrects__gte=UUID(int=0))
    return Q(pk__in=correcting.order_by().values("corrects"))


def events_read(rows: QuerySet[ClockEvent]) -> Iterator[Event]:
    """Rows as the fold reads them."""
    return (Event(*row) for row in rows.order_by().values_list(*COLUMNS).iterator(chunk_size=2000))


def event_of(row: ClockEvent) -> Event:
    """One row as the fold reads it."""
    return Event(*(getattr(row, name) for name in COLUMNS))


def events_of_stages(shop: Shop, stage_ids: Sequence[int]) -> list[Event]:
    """All that a fold of these stages, which are all of their jobs', must know: no tap leads from one job to another.

    That is their events, what corrects them, and where their people went meanwhile.
    """
    events = ClockEvent.objects.of(shop)
    found: dict[UUID, Event] = {}
    doubtful: list[Event] = []

    marked = ExpressionWrapper(_corrected(shop), output_field=BooleanField())

    def take(rows: QuerySet[ClockEvent]) -> None:
        columns = rows.annotate(doubtful=marked).order_by().values_list(*COLUMNS, "doubtful")
        for *column, corrected in columns.iterator(chunk_size=2000):
            event = Event(*column)
            if event.id not in found:
                found[event.id] = event
                if corrected or event.corrects:
                    doubtful.append(event)

    for some in chunks(stage_ids):
        take(events.filter(stage__in=some))
    people = {event.person for event in found.values() if event.person}
    if people:
        first = min(event.at for event in found.values())
        take(_left_for(shop, stage_ids, people, first))
    while doubtful:
        # What corrects them, what they correct, and so on: of several in one place, one counts.
        corrected = {event.corrects for event in doubtful if event.corrects}
        keys = sorted({event.id for event in doubtful} | corrected)
        doubtful.clear()
        for some in chunks(keys):
            take(events.filter(corrects__in=some))
        for some in chunks(sorted(corrected - found.keys())):
            take(events.filter(pk__in=some))
    return list(found.values())


def _left_for(
    shop: Shop, stage_ids: Sequence[int], people: Iterable[int], first: datetime
) -> QuerySet[ClockEvent]:
    """The starts from `first` on that may have ended what these people did at these stages.

    Of somebody's starts in order, that is the first after each start here; and the next, while it is not certain that
    the one before counts. Whatever they start after that, they were not here any more.
    """
    here = Q(stage__in=stage_ids)
    open_before = Case(
        When(here | Q(corrects__isnull=False) | _corrected(shop), then=True),
        default=False,
        output_field=BooleanField(),
    )
    order = Case(*(When(kind=kind, then=n) for n, kind in enumerate(ORDER) if kind in STARTS))
    before = Window(Lag(open_before), partition_by="person", order_by=["at", order, "pk"])
    starts = ClockEvent.objects.of(shop).filter(person__in=people, kind__in=STARTS, at__gte=first)
    return starts.exclude(MOVES_NOBODY).annotate(before=before).filter(before=True)


def stages_touched(shop: Shop, events: Iterable[ClockEvent]) -> set[int]:
    """The stages whose intervals these events change: their own, and those that their people leave or return to.

    Where work is done again, more stages of the same job change than are told here: `refold` tells them.
    """
    touched: set[int] = set()
    starts: dict[int, list[ClockEvent]] = defaultdict(list)
    for event in _with_corrected(shop, events):
        touched.add(event.stage_id)
        if event.to_stage_id:
            touched.add(event.to_stage_id)
        if event.person_id and event.kind in STARTS:
            starts[event.person_id].append(event)
    for person, mine in starts.items():
        touched |= _around(shop, person, mine)
    return touched


def chunks(keys: Sequence[Any]) -> Iterable[Sequence[Any]]:
    """The keys, so many at a time as a question may name."""
    return (keys[i : i + CHUNK] for i in range(0, len(keys), CHUNK))


def _with_corrected(shop: Shop, events: Iterable[ClockEvent]) -> list[ClockEvent]:
    """The events, and where they correct any, those with all that corrects the same, and so on."""
    found = {event.pk: event for event in events}
    everything = ClockEvent.objects.of(shop)
    asked = {event.corrects for event in found.values() if event.corrects}
    while asked:
        fresh: dict[UUID, ClockEvent] = {}
        for some in chunks(sorted(asked)):
            fresh.update((row.pk, row) for row in everything.filter(Q(pk__in=some) | Q(corrects__in=some)))
        fresh = {key: row for key, row in fresh.items() if key not in found}
        found.update(fresh)
        asked = fresh.keys() | {event.corrects for event in fresh.values() if event.corrects}
    return list(found.values())


def _around(shop: Shop, person: int, starts: Sequence[ClockEvent]) -> set[int]:
    """The stages at which a person was hands-on at these moments, or might be again without these starts."""
    moments = {event.at for event in starts}
    first, last = min(moments), max(moments)
    rows = (
        Interval.objects.of(shop)
        .filter(Q(ends_at=None) | Q(ends_at__gte=first), person=person, starts_at__lte=last)
        .filter(kind=IntervalKind.HANDS_ON)
    )
    there = {
        stage
        for stage, begins, ends in rows.order_by().values_list("stage", "starts_at", "ends_at")
        if any(begins <= at and (ends is None or at <= ends) for at in moments)
    }
    return there | _came_from(shop, person, starts)


def _came_from(shop: Shop, person: int, starts: Sequence[ClockEvent]) -> set[int]:
    """Where the person started last before each of these, back to a start that certainly counts."""
    moments = sorted(((event.at, event.pk) for event in starts), reverse=True)
    before = ClockEvent.objects.of(shop).filter(person=person, kind__in=STARTS, at__lte=moments[0][0])
    rows = (
        before.exclude(MOVES_NOBODY)
        .annotate(doubtful=ExpressionWrapper(_corrected(shop), output_field=BooleanField()))
        .order_by("-at")
    )
    columns = ("pk", "stage", "to_stage", "corrects", "at", "doubtful")
    found: set[int] = set()
    open_ended: list[tuple[datetime, UUID]] = []
    for key, stage, to_stage, corrects, at, doubtful in rows.values_list(*columns).iterator(chunk_size=20):
        while moments and moments[0][0] >= at:
            open_ended.append(moments.pop(0))
        if any(one != key for _, one in open_ended):
            found |= {stage, to_stage} - {None}
        if corrects is None and not doubtful:
            open_ended = [one for one in open_ended if one[0] <= at]
        if not open_ended and not moments:
            break
    return found
