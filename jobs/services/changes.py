"""What can be put right on a job's clock, as the taps that do it. Nothing is written here.

Each change knows its kind and plans its taps from a job's clock; `taken_back` and `replaced` name the events that
they stand for by `corrects`. Raises BadInput, whose field names the input at fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Protocol
from uuid import UUID

from django.utils import timezone

from jobs.clock import Event, counting
from jobs.models import ClockEvent, CorrectionKind, Stage, TapKind
from jobs.services.clock_reach import events_of_stages
from jobs.services.job_clock import ENDS, STARTS, JobClock
from jobs.services.tap_checks import Tap
from shop.errors import BadInput
from shop.models import Shop
from shop.words import say_clock, say_instant

NewId = Callable[[], UUID]

GONE = "That press no longer counts: it was put right or taken back. Look at the record again."


class Change(Protocol):
    """One putting right: what kind it is, and the taps that do it."""

    @property
    def kind(self) -> CorrectionKind:
        """What is written down as the kind of correction."""

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """The taps, from the clock as it stands. Raises BadInput where they would make no sense."""


@dataclass(frozen=True)
class Move:
    """An event happened at another time; until: the end of a recorded sitting, None for as it was."""

    event: UUID
    at: datetime
    until: datetime | None = None
    kind = CorrectionKind.MOVE

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """The same event at the other time."""
        event = counted(clock, self.event)
        until = (self.until or event.until) if event.kind == TapKind.SITTING else None
        not_ahead(clock.shop, self.at, now)
        if until is not None:
            not_ahead(clock.shop, until, now, "until")
            in_order(clock.shop, self.at, until)
        elif event.kind not in (TapKind.VOUCH, TapKind.SITTING):
            _between(clock, event, self.at)
        if (self.at, until) == (event.at, event.until):
            raise BadInput("It stands at that time already. Choose another time.", field="at")
        return [replaced(event, new_id(), at=self.at, until=until)]


@dataclass(frozen=True)
class TakeBack:
    """An event never happened."""

    event: UUID
    kind = CorrectionKind.TAKE_BACK

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """A void of the event, and of whatever it stands in the place of, which would otherwise count again."""
        event = counted(clock, self.event)
        by_id = {one.id: one for one in clock.events}
        taps = []
        while True:
            taps.append(taken_back(event, now, new_id()))
            before = by_id.get(event.corrects) if event.corrects else None
            if before is None:
                return taps
            event = before


@dataclass(frozen=True)
class Split:
    """From an instant on, one stretch of a stage was work at another stage of the same job.

    done: whether the stage was finished then; machine: on which the other stage ran, if on one.
    """

    stage: Stage
    at: datetime
    to_stage: Stage
    machine: int | None = None
    done: bool = True
    kind = CorrectionKind.SPLIT

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """The other stage begins at the instant, and what was pressed until the stretch ended belongs to it."""
        self._check(clock, now)
        people = self._people(clock)
        later = self._stretch(clock)
        ending = later[-1] if later and later[-1].kind in ENDS else None
        straight = ending is not None and ending.kind == TapKind.NEXT and ending.to_stage == self.to_stage.pk
        taps = []
        for event in later[:-1] if straight else later:
            taps.append(self._transferred(event, new_id()))
        old = ending.id if straight and ending else None
        return [*taps, *self._turn(people, old, new_id)]

    def _turn(self, people: list[int | None], old: UUID | None, new_id: NewId) -> list[Tap]:
        """Those at the stage go over to the other one; old: the event that did so later."""
        here, there = self.stage.pk, self.to_stage.pk
        start = Tap(
            new_id(), TapKind.START, there, self.at, person=people[0], machine=self.machine, corrects=old
        )
        if self.done:
            turn = [replace(start, kind=TapKind.NEXT, stage=here, to_stage=there)]
        else:
            turn = [Tap(new_id(), TapKind.ASIDE, here, self.at, person=people[0]), start]
        return turn + [Tap(new_id(), TapKind.START, there, self.at, person=one) for one in people[1:]]

    def _check(self, clock: JobClock, now: datetime) -> None:
        not_ahead(clock.shop, self.at, now)
        if self.to_stage.job_id != self.stage.job_id or self.to_stage.pk == self.stage.pk:
            raise BadInput("Choose another stage of the same job.", field="to_stage")
        if self.to_stage.left_out:
            raise BadInput(f"'{self.to_stage}' is left out. Take it in at the job first.", field="to_stage")

    def _people(self, clock: JobClock) -> list[int | None]:
        """Who was at the stage at that instant."""
        spans = clock.spans(self.stage.pk, "hands_on")
        people = [
            span.person for span in spans if span.starts < self.at and (not span.ends or self.at < span.ends)
        ]
        if not people:
            raise BadInput(
                f"Nobody was at '{self.stage}' at {clock_words(clock.shop, self.at)}. "
                f"{stretches_words(clock, self.stage.pk)}",
                field="at",
            )
        return people

    def _stretch(self, clock: JobClock) -> list[Event]:
        """What was pressed on the stage after the instant, up to what ended the sitting."""
        found = []
        for event in clock.of_stage(self.stage.pk):
            if event.at <= self.at or event.kind in (TapKind.VOUCH, TapKind.SITTING, TapKind.AGAIN):
                continue
            found.append(event)
            if event.kind in ENDS:
                break
        return found

    def _transferred(self, event: Event, key: UUID) -> Tap:
        element = event.element if self.to_stage.kind_id == self.stage.kind_id else None
        machine = self.machine if event.kind in STARTS and event.kind != TapKind.NEXT else event.machine
        return replaced(event, key, stage=self.to_stage.pk, element=element, machine=machine)


def counted(clock: JobClock, key: UUID) -> Event:
    """The event of the job that counts and has this key; BadInput if there is none."""
    event = clock.event(key)
    if event is None:
        raise BadInput(GONE, field="event")
    return event


def replaced(event: Event, key: UUID, **other: Any) -> Tap:
    """A tap that stands in the place of an event, with what is said to be other."""
    same = Tap(
        key,
        event.kind,
        event.stage,
        event.at,
        to_stage=event.to_stage,
        person=event.person,
        machine=event.machine,
        cause=event.cause,
        corrects=event.id,
        element=event.element,
        until=event.until,
        hands_on_min=event.hands_on_min,
    )
    tap = replace(same, **other)
    if tap.hands_on_min is None or tap.until is None:
        return tap
    return replace(tap, hands_on_min=min(tap.hands_on_min, (tap.until - tap.at) / timedelta(minutes=1)))


def taken_back(event: Event, now: datetime, key: UUID) -> Tap:
    """A tap that takes an event back."""
    return Tap(key, TapKind.VOID, event.stage, now, corrects=event.id)


def not_ahead(shop: Shop, at: datetime, now: datetime, field: str = "at") -> None:
    """Refuse an instant that is still to come."""
    if at > now:
        raise BadInput(
            f"{clock_words(shop, at)} is still to come: it is {say_clock(shop.local(now))}. Give a time that is past.",
            field=field,
        )


def in_order(shop: Shop, starts: datetime, ends: datetime, field: str = "until") -> None:
    """Refuse an end that is not after its start."""
    if ends <= starts:
        raise BadInput(
            f"It ends at {clock_words(shop, ends)}, which is not after its start at {clock_words(shop, starts)}.",
            field=field,
        )


def clock_words(shop: Shop, at: datetime) -> str:
    """An instant as the shop's clock shows it: 'Monday 2 March, 09:10', with seconds where it has any."""
    local, today = shop.local(at), shop.local(timezone.now()).date()
    return say_instant(local, today, seconds=bool(local.second))


def stretches_words(clock: JobClock, stage: int, kind: str = "hands_on") -> str:
    """When a stage was worked on, for somebody who named another time."""
    shop = clock.shop
    found = [
        f"{clock_words(shop, span.starts)} to {say_clock(shop.local(span.ends)) if span.ends else 'now'}"
        for span in clock.spans(stage, kind)
    ]
    if not found:
        return "Nothing is clocked there: add it instead."
    return f"It was worked on {'; '.join(found[-4:])}."


def _between(clock: JobClock, event: Event, at: datetime) -> None:
    """Refuse to move an event past another that it hangs together with: their meaning would turn round."""
    order = [one for one in clock.counting if one.id == event.id or _bound(event, one)]
    here = next(i for i, one in enumerate(order) if one.id == event.id)
    before, after = order[:here], order[here + 1 :]
    for one, past in [(one, at <= one.at) for one in before[-1:]] + [
        (one, at >= one.at) for one in after[:1]
    ]:
        if past and at != event.at:
            raise BadInput(_past_words(clock, event, one), field="at")
    for one in _starts_elsewhere(clock, event, at):
        raise BadInput(_past_words(clock, event, one), field="at")


def _starts_elsewhere(clock: JobClock, event: Event, at: datetime) -> list[Event]:
    """Where its person began something else between where an event stands and where it is to stand."""
    if event.kind not in STARTS or event.person is None:
        return []
    between = ClockEvent.objects.of(clock.shop).filter(
        person=event.person, kind__in=STARTS, at__range=sorted((at, event.at))
    )
    known = {one.id for one in clock.events}
    rows = [row for row in between.order_by("at") if row.pk not in known]
    others = events_of_stages(clock.shop, sorted({row.stage_id for row in rows})) if rows else []
    keys = {row.pk for row in rows}
    return [one for one in counting(others) if one.id in keys]


def _bound(event: Event, other: Event) -> bool:
    """Whether one of two events is what it is only on its side of the other."""
    if other.kind in (TapKind.VOUCH, TapKind.SITTING):
        return False
    if event.kind in STARTS and other.kind in STARTS and event.person and event.person == other.person:
        return True
    mine = {event.stage, event.to_stage} - {None}
    if mine.isdisjoint({other.stage, other.to_stage}):
        return False
    everybody = (*ENDS, "pause", "again")
    anyone = event.kind in everybody or other.kind in everybody or None in (event.person, other.person)
    return anyone or event.person == other.person


def _past_words(clock: JobClock, event: Event, other: Event) -> str:
    side = "before" if other.at <= event.at else "after"
    stage = clock.stages.get(other.stage) or Stage.objects.of(clock.shop).select_related("job").get(
        pk=other.stage
    )
    elsewhere = "" if stage.job_id == clock.job.pk else f" of job {stage.job.number}"
    what = TapKind(other.kind).label.lower()
    return (
        f"The tap '{what}' at '{stage}'{elsewhere} stands {side} it, at {clock_words(clock.shop, other.at)}. "
        "One cannot be moved past the other: move or take back that one first."
    )
