"""Taps from a device: each is stored once, whatever is sent how often, and the stages it touches are folded again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from uuid import UUID

from django.db import transaction

from jobs.models import Cause, ClockEvent, Stage, TapKind
from jobs.selectors_clock import Crowd, crowds
from jobs.services.clock import refold, stages_touched
from shop.errors import BadInput
from shop.models import Machine, Person, Shop, User

MOST = 500
"""Taps in one sending."""

TRUSTED = timedelta(seconds=5)
"""A device's clock that is off by no more than this is taken at its word."""

OLDEST = timedelta(days=366)
"""An older tap is a device's clock gone wrong."""

PRESSED = frozenset(set(TapKind.values) - {TapKind.SITTING})


@dataclass(frozen=True)
class Tap:
    """One press as a device sends it. at: aware, by the device's clock. The rest are keys of rows."""

    id: UUID
    kind: str
    stage: int
    at: datetime
    to_stage: int | None = None
    person: int | None = None
    machine: int | None = None
    cause: int | None = None
    corrects: UUID | None = None


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


@dataclass(frozen=True)
class _Known:
    """The shop's rows that the taps name, by key."""

    stages: Mapping[int, Stage]
    people: Mapping[int, Person]
    machines: Mapping[int, Machine]
    causes: Mapping[int, Cause]
    events: Mapping[UUID, ClockEvent]


@transaction.atomic
def record_taps(
    *,
    shop: Shop,
    user: User | None,
    taps: Sequence[Tap],
    sent_at: datetime,
    received_at: datetime,
    device: str = "",
) -> TapsOutcome:
    """Store the taps that are new and fold again what they touch; those refused do not hold up the others.

    sent_at: what the device's clock said on sending; received_at: what the server's said. Raises BadInput for more
    than MOST taps.
    """
    if len(taps) > MOST:
        raise BadInput(f"{len(taps)} taps at once: send at most {MOST} at a time.", field="taps")
    # The shop's row is the lock: taps of one shop are folded one sending after the other.
    shop = Shop.objects.select_for_update().get(pk=shop.pk)
    offset = received_at - sent_at
    moved = offset if abs(offset) > TRUSTED else timedelta(0)
    known = _known(shop, taps)
    results: list[TapResult] = []
    fresh: dict[UUID, ClockEvent] = {}
    for tap, at in zip(taps, _moments(taps, moved, received_at), strict=True):
        before = fresh.get(tap.id) or known.events.get(tap.id)
        problem = _repeat_problem(shop, tap, before) if before else _problem(tap, known, received_at - at)
        if problem:
            results.append(TapResult(tap.id, "refused", problem))
        elif before:
            results.append(TapResult(tap.id, "known"))
        else:
            fresh[tap.id] = _event(shop, user, tap, at, received_at, device)
            results.append(TapResult(tap.id, "stored"))
    ClockEvent.objects.bulk_create(fresh.values())
    touched = stages_touched(shop, fresh.values())
    if touched:
        refold(shop, touched)
    shop.refresh_from_db(fields=["revision"])
    stages = list(
        Stage.objects.of(shop).filter(pk__in=touched).select_related("job").order_by("job", "position")
    )
    clashes = [crowd for crowd in crowds(shop) if touched & {stage.pk for stage in crowd.stages}]
    return TapsOutcome(received_at, offset, shop.revision, results, stages, clashes)


def _known(shop: Shop, taps: Sequence[Tap]) -> _Known:
    stages = {key for tap in taps for key in (tap.stage, tap.to_stage) if key is not None}
    return _Known(
        Stage.objects.of(shop).select_related("job").in_bulk(list(stages)),
        Person.objects.of(shop).in_bulk(list({tap.person for tap in taps if tap.person is not None})),
        Machine.objects.of(shop).in_bulk(list({tap.machine for tap in taps if tap.machine is not None})),
        Cause.objects.of(shop).in_bulk(list({tap.cause for tap in taps if tap.cause is not None})),
        ClockEvent.objects.in_bulk([tap.id for tap in taps]),
    )


def _repeat_problem(shop: Shop, tap: Tap, before: ClockEvent) -> str:
    """Why a tap whose id is known is not simply a repeat; empty if it is one."""
    same = (
        before.shop_id == shop.pk
        and (before.kind, before.stage_id, before.to_stage_id) == (tap.kind, tap.stage, tap.to_stage)
        and (before.person_id, before.machine_id, before.cause_id) == (tap.person, tap.machine, tap.cause)
        and (before.corrects, before.device_at) == (tap.corrects, tap.at)
    )
    return "" if same else "This id was already used for another tap. Make a new id for each tap."


def _moments(taps: Sequence[Tap], by: timedelta, received_at: datetime) -> list[datetime]:
    """When each tap happened: never later than it was received.

    Those that would be are a microsecond apart, for their order still counts: a start comes before its finish.
    """
    moments = [_moved(tap.at, by) for tap in taps]
    ahead = sorted({at for at in moments if at > received_at}, reverse=True)
    back = {at: received_at - timedelta(microseconds=i) for i, at in enumerate(ahead)}
    return [back.get(at, at) for at in moments]


def _moved(at: datetime, by: timedelta) -> datetime:
    """The instant moved, as far as there are dates."""
    try:
        return at + by
    except OverflowError:
        return (datetime.max if by > timedelta(0) else datetime.min).replace(tzinfo=UTC)


def _problem(tap: Tap, known: _Known, age: timedelta) -> str:
    """Why a new tap cannot be stored; empty if it can."""
    if age > OLDEST:
        return f"This tap is {age.days:,} days old. Put the device's clock right, then press again."
    if tap.kind not in PRESSED:
        return f"There is no tap {tap.kind!r}. Taps: {', '.join(sorted(PRESSED))}."
    stage = known.stages.get(tap.stage)
    if stage is None:
        return "There is no such stage in this shop."
    if tap.kind == TapKind.NEXT:
        following = known.stages.get(tap.to_stage or 0)
        if following is None or following.job_id != stage.job_id or following.pk == stage.pk:
            return "'next' needs to_stage: another stage of the same job."
    elif tap.to_stage is not None:
        return f"Only 'next' has a to_stage, not {tap.kind!r}."
    if tap.kind == TapKind.VOID and tap.corrects is None:
        return "'void' needs corrects: the id of the tap that it takes back."
    for name, key, rows in (
        ("person", tap.person, known.people),
        ("machine", tap.machine, known.machines),
        ("cause", tap.cause, known.causes),
    ):
        if key is not None and key not in rows:
            return f"There is no such {name} in this shop."
    return ""


def _event(
    shop: Shop, user: User | None, tap: Tap, at: datetime, received_at: datetime, device: str
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
        at=at,
        device_at=tap.at,
        received_at=received_at,
        device=device[:64],
        recorded_by=user,
    )
