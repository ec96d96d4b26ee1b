"""Take out of a shop what an import brought in, a few jobs at a time: only what nobody has built on.

This is the one place where clock events are deleted: those that came with a file, of jobs that nobody clocked on since.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from django.db import transaction

from jobs.importing.obstacles import Reach, in_the_way, jobs_of, reach_of
from jobs.models import ClockEvent, ImportDraft, ImportedStage, Job, Stage, TapKind
from jobs.services.clock import refold
from jobs.services.import_claims import breathe, check_claim
from jobs.services.import_words import words_take_out
from shop.models import Shop
from shop.services import revision_raise

JOBS_AT_ONCE = 50

Kept = tuple[int, str, list[str]]
"""A job that stays: its number, its title, and why."""


@dataclass
class TakenOut:
    """What was taken out, and what stays."""

    jobs: int = 0
    stages: int = 0
    rows: int = 0
    kept: list[Kept] = field(default_factory=list)
    words: dict[str, list[str]] = field(default_factory=dict)


def take_out(record: ImportDraft, progress: Callable[[str], None]) -> TakenOut:
    """Take an import's jobs, stages and events out, but for those that something stands in the way of.

    Not in a transaction of the caller's; the record is this worker's by a claim. Begun again it goes on. Afterwards
    `history_written` is due. Raises Lost.
    """
    out = TakenOut()
    jobs = jobs_of(record)
    for start in range(0, len(jobs), JOBS_AT_ONCE):
        progress(f"{start:,} of {len(jobs):,} jobs")
        if start:
            breathe()
        with transaction.atomic():
            # The shop's row is the lock that taps wait for too: none comes between the look and the taking out.
            Shop.objects.select_for_update().get(pk=record.shop_id)
            check_claim(record)
            _take_part(record, jobs[start : start + JOBS_AT_ONCE], out)
    with transaction.atomic():
        Shop.objects.select_for_update().get(pk=record.shop_id)
        check_claim(record)
        out.words = words_take_out(record)
        revision_raise(record.shop_id)
    return out


def _take_part(record: ImportDraft, job_ids: Sequence[int], out: TakenOut) -> None:
    reach = reach_of(record, job_ids)
    blocked = in_the_way(record, reach)
    out.kept += [(job.number, job.title, blocked[job.pk]) for job in reach.jobs if job.pk in blocked]
    free = [job for job in reach.jobs if job.pk not in blocked]
    made = [job.pk for job in free if job.pk in reach.made]
    marks = [mark for job in free for mark in reach.marks.get(job.pk, [])]
    events = record.events.filter(stage__in=[mark.stage_id for mark in marks])
    out.rows += events.filter(kind=TapKind.SITTING).count()
    out.jobs += len(made)
    out.stages += sum(mark.is_new for mark in marks)
    # Nothing refers to an event by a key of the database, so this is one statement.
    ClockEvent.objects.filter(pk__in=events.order_by().values("pk")).delete()
    _restore(reach, marks)
    ImportedStage.objects.filter(pk__in=[mark.pk for mark in marks]).delete()
    Stage.objects.filter(pk__in=[mark.stage_id for mark in marks if mark.is_new]).delete()
    Job.objects.filter(pk__in=made).delete()
    added_to = [job.pk for job in free if job.pk not in reach.made]
    rest = Stage.objects.of(record.shop).filter(job__in=added_to).values_list("pk", flat=True)
    if added_to:
        refold(record.shop, list(rest), announce=False)
    revision_raise(record.shop_id)


def _restore(reach: Reach, marks: Sequence[ImportedStage]) -> None:
    """Give the stages that were there before the import what they depended on then."""
    changed = []
    for mark in marks:
        if not mark.is_new and mark.stage.drivers != mark.before:
            mark.stage.drivers = mark.before
            changed.append(mark.stage)
    Stage.objects.bulk_update(changed, ["drivers"])
