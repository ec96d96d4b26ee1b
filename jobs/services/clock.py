"""The stopwatch's writes: taps are stored, and what they amount to is folded again."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q

from jobs.clock import Clash, Event, Facts, Folded, HoldFact, Span, StageFold, fold
from jobs.models import (
    Attendance,
    Category,
    Cause,
    ClockEvent,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    Stage,
    StageState,
    TapKind,
)
from jobs.routes import active_edges
from jobs.signals import stages_folded
from shop.models import Machine, Shop, Unattended
from shop.services import revision_raise

BATCH = 2000
CHUNK = 400
"""Keys looked up at a time: SQLite takes a limited number of parameters."""

STARTS = (TapKind.START, TapKind.NEXT, TapKind.RESUME)
MOVES_NOBODY = Q(kind=TapKind.NEXT, to_stage__kind__category=Category.HOLD) | (
    ~Q(kind=TapKind.NEXT) & Q(stage__kind__category=Category.HOLD)
)
"""A start of a hold: nobody is at one."""

OTHER_WORK = "other-work"
DERIVED = ("state", "started_at", "finished_at", "fold_digest")


@transaction.atomic
def refold(shop: Shop, stage_ids: Collection[int], *, announce: bool = True) -> list[Clash]:
    """Fold the jobs of these stages again; the same rows as `fold_shop` would give them. Returns their clashes.

    announce: tell who listens of the stages that were finished, or are so no more.
    """
    jobs = list(Job.objects.of(shop).filter(stages__in=stage_ids).distinct().values_list("pk", flat=True))
    stages = _stages(shop, jobs)
    folded = fold(_events_for(shop, [stage.pk for stage in stages]), _facts(shop, stages))
    ended = _write(shop, stages, folded)
    revision_raise(shop.pk)
    if announce:
        _announce(shop, ended)
    return list(folded.clashes)


@transaction.atomic
def fold_shop(shop: Shop, *, announce: bool = True) -> list[Clash]:
    """Fold every event of a shop. Returns the clashes."""
    stages = _stages(shop, None)
    events = [_event(row) for row in ClockEvent.objects.of(shop).order_by().iterator(chunk_size=BATCH)]
    folded = fold(events, _facts(shop, stages))
    Interval.objects.of(shop).delete()
    ended = _write(shop, stages, folded, whole=True)
    revision_raise(shop.pk)
    if announce:
        _announce(shop, ended)
    return list(folded.clashes)


def stages_touched(shop: Shop, events: Iterable[ClockEvent]) -> set[int]:
    """The stages whose intervals these events change: their own, and those that their people leave or return to."""
    found = {event.pk: event for event in events}
    asked = {event.corrects for event in found.values() if event.corrects} - found.keys()
    while asked:  # what is taken back, and what that took back
        corrected = ClockEvent.objects.of(shop).in_bulk(list(asked))
        found.update(corrected)
        asked = {event.corrects for event in corrected.values() if event.corrects} - found.keys()
    touched: set[int] = set()
    for event in found.values():
        touched.add(event.stage_id)
        if event.to_stage_id:
            touched.add(event.to_stage_id)
        if event.person_id and event.kind in STARTS:
            touched |= _around(shop, event)
    return touched


def _around(shop: Shop, event: ClockEvent) -> set[int]:
    """The stages at which the event's person was hands-on at that moment, or might be again without it."""
    mine = Interval.objects.of(shop).filter(
        kind=IntervalKind.HANDS_ON, person=event.person_id, starts_at__lte=event.at
    )
    there = set(mine.filter(Q(ends_at=None) | Q(ends_at__gte=event.at)).values_list("stage", flat=True))
    before = ClockEvent.objects.of(shop).filter(person=event.person_id, kind__in=STARTS, at__lte=event.at)
    for stage, to_stage in before.order_by("-at").values_list("stage", "to_stage")[:5]:
        there |= {stage, to_stage} if to_stage else {stage}
    return there


def _stages(shop: Shop, jobs: Collection[int] | None) -> list[Stage]:
    """The stages with their kinds and arrows; jobs: None for all of the shop's."""
    stages = Stage.objects.of(shop).select_related("kind", "job")
    if jobs is not None:
        stages = stages.filter(job__in=jobs).select_for_update(of=("self",))
    return list(stages.order_by("job_id", "position", "pk").prefetch_related("out_edges"))


def _facts(shop: Shop, stages: Sequence[Stage]) -> Facts:
    machines = list(Machine.objects.of(shop))
    cause = Cause.objects.of(shop).filter(key=OTHER_WORK).first()
    return Facts(
        start_only=frozenset(stage.pk for stage in stages if stage.kind.attendance == Attendance.START),
        alone=frozenset(machine.pk for machine in machines if machine.unattended != Unattended.NO),
        capacity={machine.pk: machine.capacity for machine in machines},
        other_work=cause.pk if cause else None,
        holds=_holds(stages),
    )


def _holds(stages: Sequence[Stage]) -> dict[int, HoldFact]:
    by_job: dict[int, list[Stage]] = defaultdict(list)
    for stage in stages:
        by_job[stage.job_id].append(stage)
    holds = {}
    for mine in by_job.values():
        held = [stage for stage in mine if stage.kind.is_hold]
        if not held:
            continue
        # A hold that is left out has no arrows among these, so it is only what is clocked.
        links = active_edges(mine, [edge for stage in mine for edge in stage.out_edges.all()])
        for stage in held:
            holds[stage.pk] = HoldFact(
                tuple(link.before_id for link in links if link.after_id == stage.pk),
                tuple(link.after_id for link in links if link.before_id == stage.pk),
                stage.hold_min,
            )
    return holds


def _events_for(shop: Shop, stage_ids: Sequence[int]) -> list[Event]:
    """The events of these stages, what takes them back, and where their people went meanwhile."""
    rows: dict[UUID, ClockEvent] = {}
    events = ClockEvent.objects.of(shop)
    for some in _chunks(stage_ids):
        # Two questions, for with an 'or' no index would serve.
        rows.update((row.pk, row) for row in events.filter(stage__in=some))
        rows.update((row.pk, row) for row in events.filter(to_stage__in=some))
    people = {row.person_id for row in rows.values() if row.person_id}
    if people:
        first = min(row.at for row in rows.values())
        elsewhere = events.filter(person__in=people, kind__in=STARTS, at__gte=first).exclude(MOVES_NOBODY)
        rows.update((row.pk, row) for row in elsewhere)
    fresh = list(rows)
    while fresh:
        voids = [
            row for some in _chunks(fresh) for row in events.filter(corrects__in=some) if row.pk not in rows
        ]
        rows.update((row.pk, row) for row in voids)
        fresh = [row.pk for row in voids]
    return [_event(row) for row in rows.values()]


def _chunks(keys: Sequence[Any]) -> Iterable[Sequence[Any]]:
    return (keys[i : i + CHUNK] for i in range(0, len(keys), CHUNK))


def _event(row: ClockEvent) -> Event:
    return Event(
        id=row.pk,
        kind=row.kind,
        stage=row.stage_id,
        at=row.at,
        person=row.person_id,
        machine=row.machine_id,
        cause=row.cause_id,
        to_stage=row.to_stage_id,
        until=row.until,
        hands_on_min=row.hands_on_min,
        corrects=row.corrects,
    )


def _write(shop: Shop, stages: Sequence[Stage], folded: Folded, *, whole: bool = False) -> list[int]:
    """Put the folded intervals and states in place of what was there; whole: even where the digest is the same.

    Returns the changed stages that are finished or were so before.
    """
    spans: dict[int, list[Span]] = defaultdict(list)
    for span in folded.spans:
        spans[span.stage].append(span)
    changed, ended = [], []
    for stage in stages:
        found = folded.stages.get(stage.pk, StageFold())
        digest = _digest(found, spans[stage.pk]) if found != StageFold() or spans[stage.pk] else ""
        if whole or digest != stage.fold_digest:
            if StageState.FINISHED in (stage.state, found.state):
                ended.append(stage.pk)
            stage.state, stage.started_at, stage.finished_at = (
                found.state,
                found.started_at,
                found.finished_at,
            )
            stage.fold_digest = digest
            changed.append(stage)
    keys = [stage.pk for stage in changed]
    for some in _chunks(keys):
        Interval.objects.filter(stage__in=some).delete()
    Interval.objects.bulk_create(
        (_interval(shop, span) for key in keys for span in spans[key]), batch_size=BATCH
    )
    Stage.objects.bulk_update(changed, DERIVED, batch_size=200)
    _jobs_write(stages)
    return ended


def _interval(shop: Shop, span: Span) -> Interval:
    return Interval(
        shop=shop,
        stage_id=span.stage,
        kind=span.kind,
        person_id=span.person,
        machine_id=span.machine,
        cause_id=span.cause,
        starts_at=span.starts,
        ends_at=span.ends,
    )


def _digest(found: StageFold, spans: Sequence[Span]) -> str:
    """Sixteen hex digits that change when anything that was folded does."""
    lines = [f"{found.state} {_text(found.started_at)} {_text(found.finished_at)}"]
    lines += [f"{s.kind} {_text(s.starts)} {_text(s.ends)} {s.person} {s.machine} {s.cause}" for s in spans]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def _text(instant: datetime | None) -> str:
    return instant.astimezone(UTC).isoformat() if instant else "-"


def _jobs_write(stages: Sequence[Stage]) -> None:
    """Bring the jobs' own state up to date with their stages."""
    by_job: dict[int, list[Stage]] = defaultdict(list)
    for stage in stages:
        by_job[stage.job_id].append(stage)
    changed = []
    for mine in by_job.values():
        job = mine[0].job
        before = (job.status, job.started_at, job.finished_at)
        job.started_at = min((s.started_at for s in mine if s.started_at), default=None)
        job.status, job.finished_at = _status(job, [stage for stage in mine if not stage.left_out])
        if before != (job.status, job.started_at, job.finished_at):
            changed.append(job)
    Job.objects.bulk_update(changed, ["status", "started_at", "finished_at"], batch_size=200)


def _status(job: Job, stages: Sequence[Stage]) -> tuple[str, datetime | None]:
    """In hand from its first tap, finished with its last stage; and back, where taps are taken back."""
    if job.status == JobStatus.CANCELLED:
        return job.status, job.finished_at
    if stages and all(stage.state == StageState.FINISHED for stage in stages):
        return JobStatus.FINISHED, max(stage.finished_at for stage in stages if stage.finished_at)
    if any(stage.state != StageState.WAITING for stage in stages):
        return JobStatus.IN_HAND, None
    if job.status in (JobStatus.IN_HAND, JobStatus.FINISHED):
        return JobStatus.PROMISED if job.due_at else JobStatus.ENQUIRY, None
    return job.status, None


def _announce(shop: Shop, stage_ids: Sequence[int]) -> None:
    if not stage_ids:
        return

    def tell() -> None:
        stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=list(stage_ids))

    transaction.on_commit(tell)
