"""What stands in the way of taking an import's jobs back: what people have done on them since. Reads only."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Count, Max, Min, Q, QuerySet

from jobs.models import ClockEvent, Correction, ImportDraft, ImportedStage, Job, Stage
from jobs.services.clock_reach import chunks
from jobs.signals import jobs_going

CLOCKED = "somebody has clocked on it"
CORRECTED = "its clock was put right"
STAGES = "stages were added to it"
CHANGED = "what its stages depend on was changed"
FILLED_IN = "its sizes, customer, date or notes were filled in"

_AS_MADE: dict[str, object] = {
    "customer_id": None, "process_id": None, "finish_id": None, "media_id": None, "notes": "", "due_at": None,
    "turn_at": None, "ready_from": None, "film_from": None, "drivers": {},
}  # fmt: skip
"""A job's facts as an import leaves them."""


@dataclass(frozen=True)
class Reach:
    """The jobs that an import made or added to, a few of them, and its stages there by job.

    made: of the jobs, those that the import made.
    """

    jobs: Sequence[Job]
    made: frozenset[int]
    marks: dict[int, list[ImportedStage]] = field(default_factory=dict)

    @property
    def stages(self) -> list[int]:
        """The keys of all its stages."""
        return [mark.stage_id for marks in self.marks.values() for mark in marks]


def jobs_of(record: ImportDraft) -> list[int]:
    """The keys of the jobs that an import made or added to, by their number."""
    touched = record.stages.order_by().values("stage__job")
    jobs = Job.objects.of(record.shop).filter(Q(imported=record) | Q(pk__in=touched))
    return list(jobs.order_by("number").values_list("pk", flat=True))


def reach_of(record: ImportDraft, job_ids: Sequence[int]) -> Reach:
    """What the import did in these jobs."""
    jobs = list(Job.objects.of(record.shop).filter(pk__in=job_ids).order_by("number"))
    marks: dict[int, list[ImportedStage]] = defaultdict(list)
    mine = ImportedStage.objects.filter(imported=record, stage__job__in=job_ids).select_related("stage")
    for mark in mine.order_by("stage__position", "stage"):
        marks[mark.stage.job_id].append(mark)
    return Reach(jobs, frozenset(job.pk for job in jobs if job.imported_id == record.pk), dict(marks))


def in_the_way(record: ImportDraft, reach: Reach) -> dict[int, list[str]]:
    """Job to why it cannot be taken back, of those that cannot."""
    why: dict[int, dict[str, None]] = defaultdict(dict)
    for found in (_clocked, _changed, _filled_in, _added):
        for job, reason in found(record, reach):
            why[job][reason] = None
    keys = sorted(reach.made)
    for _, answer in jobs_going.send(sender=Job, shop=record.shop, job_ids=keys):
        given: Any = answer
        for job, reason in given:
            why[job][reason] = None
    return {job: list(reasons) for job, reasons in why.items()}


def _clocked(record: ImportDraft, reach: Reach) -> list[tuple[int, str]]:
    """Events that came after the import's own to its stages, or to any stage of a job that it made."""
    others = ClockEvent.objects.of(record.shop).exclude(imported=record).order_by()
    found = _said(record, others.filter(Q(stage__job__in=reach.made) | Q(to_stage__job__in=reach.made)))
    old = [mark.stage_id for job, marks in reach.marks.items() if job not in reach.made for mark in marks]
    mine = record.events.filter(stage__in=old).order_by().values("stage").annotate(at=Min("received_at"))
    for one in mine:
        at_it = Q(stage=one["stage"]) | Q(to_stage=one["stage"])
        later = others.filter(at_it, received_at__gt=one["at"])
        found += _said(record, later)
    corrected = Correction.objects.of(record.shop).filter(job__in=reach.made)
    return found + [(job, CORRECTED) for job in corrected.order_by().values_list("job", flat=True).distinct()]


def _said(record: ImportDraft, events: QuerySet[ClockEvent]) -> list[tuple[int, str]]:
    """The jobs of these events, and where they come from in words."""
    rows = events.values("stage__job", "imported__name").annotate(n=Count("pk"), last=Max("received_at"))
    return [
        (row["stage__job"], _by_whom(row["imported__name"], row["n"], row["last"], record)) for row in rows
    ]


def _by_whom(file: str | None, n: int, last: datetime, record: ImportDraft) -> str:
    if file:
        return f"a later import added to it ({file}): take that one back first"
    return f"{CLOCKED}: {n} time{'' if n == 1 else 's'}, last on {record.shop.local(last):%d %B %Y}"


def _changed(record: ImportDraft, reach: Reach) -> list[tuple[int, str]]:
    """Stages that are not as the import left them."""
    found = []
    for job, marks in reach.marks.items():
        for mark in marks:
            stage = mark.stage
            set_since = mark.is_new and (
                stage.left_out or stage.machine_id or stage.pinned_at or stage.hold_min
            )
            if stage.drivers != mark.after or set_since:
                found.append((job, CHANGED))
    return found


def _filled_in(record: ImportDraft, reach: Reach) -> list[tuple[int, str]]:
    """Jobs of the import that are not as it left them."""
    by_hand = [
        job.pk
        for job in reach.jobs
        if job.pk in reach.made
        and (job.title != job.reference or any(getattr(job, name) != was for name, was in _AS_MADE.items()))
    ]
    made = Job.objects.filter(pk__in=reach.made).order_by()
    more = (
        made.filter(Q(items__isnull=False) | Q(visits__isnull=False)).values_list("pk", flat=True).distinct()
    )
    return [(job, FILLED_IN) for job in (*by_hand, *more)]


def _added(record: ImportDraft, reach: Reach) -> list[tuple[int, str]]:
    """Jobs of the import with stages that it did not make."""
    mine = ImportedStage.objects.filter(imported=record, is_new=True).values("stage")
    others = Stage.objects.of(record.shop).filter(job__in=reach.made).exclude(pk__in=mine)
    return [(job, STAGES) for job in others.order_by().values_list("job", flat=True).distinct()]


def all_in_the_way(record: ImportDraft, job_ids: Collection[int]) -> dict[int, list[str]]:
    """`in_the_way` for any number of jobs."""
    found: dict[int, list[str]] = {}
    for some in chunks(list(job_ids)):
        found |= in_the_way(record, reach_of(record, some))
    return found
