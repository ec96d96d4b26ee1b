"""What the clock knows of a past beside clean minutes: work done again, pauses, cancelled work."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from analytics.engine.hours import Calendar, to_minutes
from analytics.engine.minutes import Span, measure
from analytics.engine.pauses import Spell, paused
from analytics.engine.plan import ShopSpec, person_hours, usual_hours
from analytics.selectors.samples import EPOCH
from analytics.selectors.signs import Row, rows_of
from jobs.models import Interval, IntervalKind, Job, JobStatus
from shop.models import Shop


@dataclass(frozen=True)
class More:
    """Minutes of a stage beside its clean ones. waits: elapsed, before it, with nobody at it.

    again: of hands_on and unattended, those that were done again.
    """

    hands_on: float = 0.0
    unattended: float = 0.0
    waits: float = 0.0
    again: float = 0.0


def rows_of_jobs(shop: Shop, jobs: Sequence[Job], origin: datetime, now: datetime) -> list[Row]:
    """The intervals of these jobs that ended after the origin and until now."""
    keys = [job.pk for job in jobs]
    return rows_of(
        Interval.objects.of(shop).filter(stage__job__in=keys, ends_at__gt=origin, ends_at__lte=now)
    )


def more_of(rows: Iterable[Row], spec: ShopSpec, days: int) -> dict[int, More]:
    """What comes on top of the clean minutes, by stage. spec: the shop from the origin of the past on."""
    at_work: dict[int | None, list[tuple[int, Spell]]] = defaultdict(list)
    pauses: dict[tuple[int, int | None], list[Spell]] = defaultdict(list)
    redone: dict[int, list[Span]] = defaultdict(list)
    for row in rows:
        spell = _spell(row, spec.origin)
        if row.kind == IntervalKind.INTERRUPTION:
            pauses[row.stage, row.person].append(spell)
        elif row.kind == IntervalKind.HANDS_ON:
            at_work[row.person].append((row.stage, spell))
        if row.again and row.kind in (IntervalKind.HANDS_ON, IntervalKind.MACHINE):
            redone[row.stage].append(_span(row))
    found = {stage: _again(spans) for stage, spans in redone.items()}
    hours = _hours(spec, days)
    for (stage, person), mine in pauses.items():
        elsewhere = [spell for other, spell in at_work[person] if other != stage]
        amounts = paused(mine, hours.get(person, hours[None]), elsewhere)
        before = found.get(stage, More())
        held, waits = before.hands_on + amounts.held, before.waits + amounts.waits
        found[stage] = More(held, before.unattended, waits, before.again)
    return found


def cancelled_minutes(jobs: Iterable[Job], rows: Iterable[Row]) -> dict[int, tuple[float, float]]:
    """The minutes that went into cancelled jobs, with somebody at it and with the machine alone, by stage."""
    stages = {
        stage.pk
        for job in jobs
        if job.status == JobStatus.CANCELLED
        for stage in job.stages.all()
        if not stage.kind.is_hold
    }
    spans: dict[int, list[Span]] = defaultdict(list)
    for row in rows:
        if row.stage in stages and row.kind in (IntervalKind.HANDS_ON, IntervalKind.MACHINE):
            spans[row.stage].append(_span(row))
    minutes = {stage: measure(mine) for stage, mine in spans.items()}
    return {stage: (one.hands_on, one.unattended) for stage, one in minutes.items()}


def machines_then(rows: Iterable[Row]) -> dict[int, int]:
    """The machine that each stage was on last."""
    on = sorted((row.starts, row.stage, row.machine) for row in rows if row.machine is not None)
    return {stage: machine for _, stage, machine in on}


def _hours(spec: ShopSpec, days: int) -> dict[int | None, Calendar]:
    """When each person is at work, and under None the shop's hours for who is no longer there."""
    hours: dict[int | None, Calendar] = {None: usual_hours(spec, days)}
    hours |= {person.key: person_hours(spec, person, days) for person in spec.people}
    return hours


def _again(spans: Sequence[Span]) -> More:
    minutes = measure(spans)
    return More(minutes.hands_on, minutes.unattended, again=minutes.hands_on + minutes.unattended)


def _spell(row: Row, origin: datetime) -> Spell:
    assert row.ends is not None  # noqa: S101 - only what has ended is read
    return to_minutes(origin, row.starts), to_minutes(origin, row.ends)


def _span(row: Row) -> Span:
    assert row.ends is not None  # noqa: S101 - only what has ended is read
    ends = tuple((at - EPOCH) // timedelta(microseconds=1) for at in (row.starts, row.ends))
    return Span(ends[0], ends[1], row.kind == IntervalKind.HANDS_ON, row.person or row.machine)
