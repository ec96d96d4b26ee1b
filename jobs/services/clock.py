"""The stopwatch's writes: taps are stored, and what they amount to is folded again."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

from django.db import transaction

from jobs.clock import Clash, Event, Folded, LapSpan, Span, StageFold, fold
from jobs.models import ClockEvent, Interval, IntervalKind, Job, JobStatus, Lap, Stage, StageState, TapKind
from jobs.services.clock_facts import OTHER_WORK, facts_of, stages_to_fold
from jobs.services.clock_reach import chunks, events_of_stages, events_read, stages_touched
from jobs.signals import stages_folded
from shop.models import Shop
from shop.services import revision_raise

__all__ = ["OTHER_WORK", "clashes_of_shop", "fold_shop", "refold", "stages_touched"]

Part = TypeVar("Part", Span, LapSpan)
Row = TypeVar("Row", Stage, Job)

BATCH = 2000
FEW = 50
DERIVED = ("state", "started_at", "finished_at", "fold_digest")


@dataclass(frozen=True)
class Refolded:
    """The stages of the jobs that were folded again, as they are now, in order; and the keys of those that changed.

    on_machines: the keys of those on which a machine runs now.
    """

    stages: list[Stage]
    changed: set[int]
    on_machines: set[int]


@transaction.atomic(savepoint=False)
def refold(shop: Shop, stage_ids: Collection[int], *, announce: bool = True) -> Refolded:
    """Fold the jobs of these stages again; the same rows as `fold_shop` would give them.

    announce: tell who listens of the stages that were finished, or are so no more.
    """
    stages = stages_to_fold(shop, stage_ids)
    events = events_of_stages(shop, [stage.pk for stage in stages])
    folded = fold(events, facts_of(shop, stages, events))
    changed, ended = _write(shop, stages, events, folded)
    revision_raise(shop.pk)
    if announce:
        _announce(shop, ended)
    lasting = {span.stage for span in folded.spans if span.kind == IntervalKind.MACHINE and span.ends is None}
    return Refolded(stages, changed, lasting)


@transaction.atomic
def fold_shop(shop: Shop, *, announce: bool = True) -> list[Clash]:
    """Fold every event of a shop. Returns the clashes."""
    stages = stages_to_fold(shop, None)
    events = list(events_read(ClockEvent.objects.of(shop)))
    folded = fold(events, facts_of(shop, stages, events))
    Interval.objects.of(shop).delete()
    Lap.objects.of(shop).delete()
    _, ended = _write(shop, stages, events, folded, whole=True)
    revision_raise(shop.pk)
    if announce:
        _announce(shop, ended)
    return list(folded.clashes)


def clashes_of_shop(shop: Shop) -> list[Clash]:
    """The clashes of a shop's events as they stand. Reads only."""
    stages = stages_to_fold(shop, None)
    events = list(events_read(ClockEvent.objects.of(shop)))
    return list(fold(events, facts_of(shop, stages, events)).clashes)


def _write(
    shop: Shop, stages: Sequence[Stage], events: Iterable[Event], folded: Folded, *, whole: bool = False
) -> tuple[set[int], list[int]]:
    """Put what was folded in place of what was there; whole: of all stages, where nothing is there any more.

    Returns the changed stages, and those of them that are finished or were so before.
    """
    spans, laps = _by_stage(folded.spans), _by_stage(folded.laps)
    changed, ended = [], []
    for stage in stages:
        found = folded.stages.get(stage.pk, StageFold())
        digest = _digest(found, spans[stage.pk], laps[stage.pk])
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
    if not whole:
        _clear(keys, laps=_may_lap(events))
    Interval.objects.bulk_create(
        (_interval(shop, span) for key in keys for span in spans[key]), batch_size=BATCH
    )
    Lap.objects.bulk_create((_lap(shop, lap) for key in keys for lap in laps[key]), batch_size=BATCH)
    _update(Stage, changed, DERIVED)
    _jobs_write(stages)
    return set(keys), ended


def _clear(stage_ids: Sequence[int], *, laps: bool) -> None:
    """Take out what was folded of these stages; laps: there may be any."""
    for some in chunks(stage_ids):
        Interval.objects.filter(stage__in=some).delete()
        if laps:
            Lap.objects.filter(stage__in=some).delete()


def _may_lap(events: Iterable[Event]) -> bool:
    """Whether these events make laps, or did when others of them did not count."""
    return any(event.kind == TapKind.LAP or event.element for event in events)


def _update(model: type[Row], rows: Sequence[Row], names: Sequence[str]) -> None:
    """Write these columns; of a few rows one by one, which is the quicker statement to make."""
    if len(rows) > FEW:
        model._default_manager.bulk_update(rows, names, batch_size=200)
        return
    for row in rows:
        model._default_manager.filter(pk=row.pk).update(**{name: getattr(row, name) for name in names})


def _by_stage(found: Iterable[Part]) -> dict[int, list[Part]]:
    by_stage: dict[int, list[Part]] = defaultdict(list)
    for one in found:
        by_stage[one.stage].append(one)
    return by_stage


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
        again=span.again,
    )


def _lap(shop: Shop, lap: LapSpan) -> Lap:
    return Lap(
        shop=shop,
        stage_id=lap.stage,
        element_id=lap.element,
        person_id=lap.person,
        starts_at=lap.starts,
        ends_at=lap.ends,
        seconds=lap.seconds,
    )


def _digest(found: StageFold, spans: Sequence[Span], laps: Sequence[LapSpan]) -> str:
    """Sixteen hex digits that change when anything that was folded does; empty where there is nothing."""
    if found == StageFold() and not spans:
        return ""
    lines = [f"{found.state} {_text(found.started_at)} {_text(found.finished_at)}"]
    lines += [
        f"{s.kind} {_text(s.starts)} {_text(s.ends)} {s.person} {s.machine} {s.cause}{' again' * s.again}"
        for s in spans
    ]
    lines += [f"lap {_text(p.starts)} {_text(p.ends)} {p.seconds!r} {p.element} {p.person}" for p in laps]
    if found.vouched_at:
        lines.append(f"vouched {_text(found.vouched_at)}")
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
    _update(Job, changed, ("status", "started_at", "finished_at"))


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
