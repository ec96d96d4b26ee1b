"""Taps from a device: each is stored once, whatever is sent how often, and the stages it touches are folded again."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from uuid import UUID

from django.db import transaction

from jobs.models import ClockEvent, Correction, Interval, IntervalKind, Stage, StageState, TapKind
from jobs.selectors.clock import Crowd, crowds
from jobs.services.clock import refold, stages_touched
from jobs.services.tap_checks import PRESSED, Tap, known_to, problem_of, repeat_problem, settled_problem
from shop.errors import BadInput
from shop.models import Shop, User
from shop.templatetags.shop_time import shop_time

__all__ = ["MOST", "PRESSED", "Tap", "TapResult", "TapsOutcome", "record_taps"]

MOST = 500
"""Taps in one sending."""

TRUSTED = timedelta(seconds=5)
"""A device's clock that is off by no more than this is taken at its word."""


@dataclass(frozen=True)
class TapResult:
    """What became of a tap: 'stored', 'known' (it was stored before) or 'refused', and then why."""

    id: UUID
    status: str
    problem: str = ""


@dataclass(frozen=True)
class TapsOutcome:
    """What became of a sending. offset: how far the device's clock was behind the server's.

    clashes: machines that are now beyond their capacity with one of `stages`.
    """

    received_at: datetime
    offset: timedelta
    revision: int
    results: list[TapResult]
    stages: list[Stage]
    clashes: list[Crowd] = field(default_factory=list)


@transaction.atomic
def record_taps(
    *,
    shop: Shop,
    user: User | None,
    taps: Sequence[Tap],
    sent_at: datetime,
    received_at: datetime,
    device: str = "",
    correction: Correction | None = None,
) -> TapsOutcome:
    """Store the taps that are new and fold again what they touch; those refused do not hold up the others.

    sent_at: what the device's clock said on sending; received_at: what the server's said. correction: what the taps
    put right; only with one may they be recorded sittings or stand in the place of others. Raises BadInput for more
    than MOST taps, and where a recorded sitting would have somebody at two stages at once.
    """
    if len(taps) > MOST:
        raise BadInput(f"{len(taps)} taps at once: send at most {MOST} at a time.", field="taps")
    # The shop's row is the lock: taps of one shop are folded one sending after the other.
    shop = Shop.objects.select_for_update().get(pk=shop.pk)
    offset = received_at - sent_at
    known = known_to(shop, taps)
    results: list[TapResult] = []
    fresh: dict[UUID, ClockEvent] = {}
    for tap, at in zip(taps, _moments(taps, offset, received_at), strict=True):
        before = fresh.get(tap.id) or known.events.get(tap.id)
        if before:
            problem = repeat_problem(shop, tap, correction, before)
        else:
            problem = problem_of(shop, tap, correction, known, at, received_at)
            if correction and tap.corrects and not problem:
                problem = settled_problem(shop, tap.corrects, fresh.values())
        if problem:
            results.append(TapResult(tap.id, "refused", problem))
        elif before:
            results.append(TapResult(tap.id, "known"))
        else:
            fresh[tap.id] = _event(shop, user, tap, at, received_at, device, correction)
            results.append(TapResult(tap.id, "stored"))
    ClockEvent.objects.bulk_create(fresh.values())
    stages, clashes = _fold_touched(shop, fresh.values())
    _at_one_stage(fresh.values())
    shop.refresh_from_db(fields=["revision"])
    return TapsOutcome(received_at, offset, shop.revision, results, stages, clashes)


def _fold_touched(shop: Shop, events: Collection[ClockEvent]) -> tuple[list[Stage], list[Crowd]]:
    """The stages that these events touch or change, folded again, and the machines that are now on too many."""
    if not events:
        return [], []
    touched = stages_touched(shop, events)
    folded = refold(shop, touched)
    touched |= folded.changed
    if _taken_in(stage for stage in folded.stages if stage.pk in touched):
        folded = refold(shop, touched)
        touched |= folded.changed
    stages = [stage for stage in folded.stages if stage.pk in touched]
    if touched.isdisjoint(folded.on_machines):
        return stages, []
    return stages, [crowd for crowd in crowds(shop) if touched & {stage.pk for stage in crowd.stages}]


def _taken_in(stages: Iterable[Stage]) -> bool:
    """Take in what was left out and is clocked all the same, as by a device that had no connection meanwhile.

    Otherwise somebody would be at a stage that no page shows. Gives whether there was any.
    """
    late = [stage.pk for stage in stages if stage.left_out and stage.state != StageState.WAITING]
    return bool(late and Stage.objects.filter(pk__in=late).update(left_out=False))


def _moments(taps: Sequence[Tap], sending: timedelta, received_at: datetime) -> list[datetime]:
    """When each tap happened by the server's clock: never later than it was received.

    Each is moved by the offset that its device knew when it was pressed, else by that of the sending. Those that
    would be in the future are a microsecond apart, for their order still counts: a start comes before its finish.
    """
    moments = [_moved(tap.at, sending if tap.offset is None else tap.offset) for tap in taps]
    ahead = sorted({at for at in moments if at > received_at}, reverse=True)
    back = {at: received_at - timedelta(microseconds=i) for i, at in enumerate(ahead)}
    return [back.get(at, at) for at in moments]


def _moved(at: datetime, by: timedelta) -> datetime:
    """The instant by a clock put right, as far as there are dates."""
    if abs(by) <= TRUSTED:
        return at
    try:
        return at + by
    except OverflowError:
        return (datetime.max if by > timedelta(0) else datetime.min).replace(tzinfo=UTC)


def _event(
    shop: Shop,
    user: User | None,
    tap: Tap,
    at: datetime,
    received_at: datetime,
    device: str,
    correction: Correction | None,
) -> ClockEvent:
    return ClockEvent(
        id=tap.id,
        shop=shop,
        kind=tap.kind,
        stage_id=tap.stage,
        to_stage_id=tap.to_stage,
        person_id=tap.person,
        machine_id=tap.machine,
        cause_id=tap.cause,
        corrects=tap.corrects,
        element_id=tap.element,
        scrapped=tap.scrapped,
        wasted_m=tap.wasted_m,
        at=at,
        until=tap.until,
        hands_on_min=tap.hands_on_min,
        device_at=tap.at,
        received_at=received_at,
        device=device[:64],
        name_unproven=tap.name_unproven,
        note=tap.note,
        correction=correction,
        recorded_by=user,
    )


def _at_one_stage(events: Iterable[ClockEvent]) -> None:
    """Refuse recorded sittings that would count somebody's time twice."""
    for event in events:
        if event.kind != TapKind.SITTING or event.person_id is None or event.until is None:
            continue
        hands_on = event.until - event.at
        if event.hands_on_min is not None:
            hands_on = min(hands_on, timedelta(minutes=event.hands_on_min))
        for one, other in pairwise(_hands_on(event.shop, event.person_id, event.at, event.at + hands_on)):
            if one.ends_at is None or one.ends_at > other.starts_at:
                raise BadInput(_twice(event.shop, one, other), field="person")


def _hands_on(shop: Shop, person: int, starts: datetime, ends: datetime) -> list[Interval]:
    """A person's hands-on intervals that share any time with that between two instants, in order."""
    mine = Interval.objects.of(shop).filter(kind=IntervalKind.HANDS_ON, person=person, starts_at__lt=ends)
    shared = mine.exclude(ends_at__lte=starts).select_related("person", "stage__job")
    return list(shared.order_by("starts_at", "pk")) if starts < ends else []


def _twice(shop: Shop, one: Interval, other: Interval) -> str:
    first, second = (f"'{span.stage}' of job {span.stage.job.number}" for span in (one, other))
    return (
        f"{one.person} would be at {first} and at {second} at once, from {shop_time(other.starts_at, shop)}. "
        "Nobody's time counts twice: put one of the two right first."
    )
