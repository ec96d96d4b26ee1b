"""What the clock shows of a stage that speaks for a forgotten stop, and what somebody has already said about it.

Whoever starts a stage has left the one before, so on this clock nobody is at two stages at once. A stop forgotten in
the day looks otherwise: the stretch runs until its person begins something else, and no press of its own ended it.
The fold then pauses the stage for other work from that very instant. That is the sign `left`. Where two are clocked
at once all the same (a machine run left open while the machine is started elsewhere; sittings written down that
overlap), it is the sign `clash`.

A stretch is settled, and shows nothing, if somebody vouched for it, if a correction made one of its ends, or if it
was written down as a whole: then the times are as somebody wrote them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from django.db.models import QuerySet

from analytics.engine.doubt import Signs
from analytics.selectors.nights import BREAK, Hours, breaks, closed_nights
from jobs.clock.events import counting
from jobs.models import Cause, ClockEvent, Interval, IntervalKind, TapKind
from jobs.selectors.clock import with_correctors
from jobs.services.clock_facts import OTHER_WORK
from jobs.services.clock_reach import chunks, event_of
from shop.models import Shop
from shop.selectors import opening_hours


class Row(NamedTuple):
    """One interval, as it is stored."""

    stage: int
    kind: str
    person: int | None
    machine: int | None
    cause: int | None
    starts: datetime
    ends: datetime | None
    again: bool


def rows_of(intervals: QuerySet[Interval]) -> list[Row]:
    """These intervals as rows."""
    names = ("stage_id", "kind", "person_id", "machine_id", "cause_id", "starts_at", "ends_at", "again")
    return [Row(*row) for row in intervals.order_by().values_list(*names).iterator(chunk_size=5000)]


@dataclass(frozen=True)
class Stretch:
    """Somebody at a stage, from an instant to an instant; ends is None while it lasts."""

    stage: int
    person: int | None
    starts: datetime
    ends: datetime | None = None


@dataclass(frozen=True)
class Settled:
    """What need not be asked: vouched: stage to the latest instant up to which it is as it was.

    recorded: (stage, start) of sittings written down. corrected: (stage, instant) that a correction made.
    """

    vouched: Mapping[int, datetime] = field(default_factory=dict)
    recorded: frozenset[tuple[int, datetime]] = frozenset()
    corrected: frozenset[tuple[int, datetime]] = frozenset()

    def covers(self, stage: int, starts: datetime, ends: datetime) -> bool:
        """Whether somebody has answered for this stretch already."""
        vouched = self.vouched.get(stage)
        return (
            (vouched is not None and ends <= vouched)
            or (stage, starts) in self.recorded
            or (stage, starts) in self.corrected
            or (stage, ends) in self.corrected
        )


def signs_of(shop: Shop, rows: Sequence[Row]) -> dict[Stretch, Signs]:
    """The ended stretches among these intervals that show a sign and are not settled; clashes are found elsewhere."""
    cause = Cause.objects.of(shop).filter(key=OTHER_WORK).values_list("pk", flat=True).first()
    left_at = {
        (row.stage, row.person, row.starts)
        for row in rows
        if row.kind == IntervalKind.INTERRUPTION and cause is not None and row.cause == cause
    }
    hours = opening_hours(shop)
    found: dict[Stretch, Signs] = {}
    for row in rows:
        if row.kind != IntervalKind.HANDS_ON or row.again or row.ends is None:
            continue
        if row.ends - row.starts < BREAK:
            continue
        signs = _signs(shop.time_zone, hours, row, row.ends, left_at)
        if signs.night or signs.any_overlap:
            found[Stretch(row.stage, row.person, row.starts, row.ends)] = signs
    settled = settled_at(shop, {stretch.stage for stretch in found})
    return {
        one: signs
        for one, signs in found.items()
        if one.ends is not None and not settled.covers(one.stage, one.starts, one.ends)
    }


def _signs(
    zone: str, hours: Hours, row: Row, ends: datetime, left_at: Collection[tuple[int, int | None, datetime]]
) -> Signs:
    return Signs(
        night=closed_nights(zone, hours, row.starts, ends) > 0,
        left=row.person is not None and (row.stage, row.person, ends) in left_at,
        over_break=bool(breaks(zone, hours, row.starts, ends)),
    )


def settled_at(shop: Shop, stage_ids: Collection[int]) -> Settled:
    """What has been answered at these stages."""
    vouched: dict[int, datetime] = {}
    recorded: set[tuple[int, datetime]] = set()
    corrected: set[tuple[int, datetime]] = set()
    for event in _answers(shop, sorted(stage_ids)):
        if event.kind == TapKind.VOUCH:
            vouched[event.stage_id] = max(vouched.get(event.stage_id, event.at), event.at)
            continue
        if event.kind == TapKind.SITTING:
            recorded.add((event.stage_id, event.at))
        if event.correction_id is not None:
            corrected.add((event.stage_id, event.at))
    return Settled(vouched, frozenset(recorded), frozenset(corrected))


def _answers(shop: Shop, stage_ids: Sequence[int]) -> list[ClockEvent]:
    """The vouches, sittings and corrections of these stages that count."""
    events = ClockEvent.objects.of(shop)
    found: list[ClockEvent] = []
    for some in chunks(stage_ids):
        mine = events.filter(stage__in=some)
        found += mine.filter(kind__in=(TapKind.VOUCH, TapKind.SITTING))
        found += mine.filter(correction__isnull=False).exclude(
            kind__in=(TapKind.VOUCH, TapKind.SITTING, TapKind.VOID)
        )
    gone = taken_back(shop, [event for event in found if event.kind != TapKind.SITTING])
    return [event for event in found if event.pk not in gone]


def taken_back(shop: Shop, events: Sequence[ClockEvent]) -> set[UUID]:
    """Which of these events another that counts has taken out of the count."""
    taps = map(event_of, with_correctors(shop, events).values())
    return {event.pk for event in events} - {tap.id for tap in counting(taps)}
