"""Write a log into a shop: jobs, stages and clock events, a few whole jobs at a time under one record.

Each part is a transaction of its own, so that taps come in between. A part holds whole jobs, each with all its stages
and their minutes; nothing is learned from any of them before the last is in. Every row has an id of its own, so writing
goes on where it was stopped; and every row names its import, by which the whole can be taken back.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.importing.problems import BadFile, Problem
from jobs.importing.routes import routes_make
from jobs.importing.sittings import Log, Sitting
from jobs.importing.stages import StageKey, stages_write
from jobs.importing.vocabulary import Vocabulary, vocabulary_of
from jobs.models import ClockEvent, ImportDraft, Job, JobStatus, RouteStage, Stage, TapKind
from jobs.services.clock import clashes_of_shop, refold
from jobs.services.clock_reach import chunks
from shop.models import Shop

NAMESPACE = uuid.UUID("5d0f6c5e-8a55-4f0b-9d5e-5d8f1f8f7a10")
"""Of the ids of imported events: the same row of the same shop has the same id whenever it is imported."""

DEVICE = "import"
BATCH = 2000
ROWS_AT_ONCE = 200
"""Rows from which on a part ends with its job: a fraction of a second of writing."""

Progress = Callable[[str], None]


@dataclass
class Imported:
    """What an import did. made: of what kind, to the names that were made.

    clashes: how often a machine or a person is at two of its stages at once.
    """

    shop: Shop
    rows: int
    new_rows: int
    jobs: int = 0
    stages: int = 0
    shop_made: bool = False
    clashes: int = 0
    local_times: int = 0
    ignored: Sequence[str] = ()
    made: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @property
    def changed(self) -> bool:
        """Whether anything was written."""
        return self.new_rows > 0


@dataclass(frozen=True)
class Hooks:
    """What whoever has a log written wants to be asked: all of it may be left out.

    guard: in each transaction, before anything is written; what it raises stops the writing. words_made: in the
    transaction that makes the words. between: after each part but the last, outside any transaction.
    """

    guard: Callable[[], None] = lambda: None
    words_made: Callable[[], None] = lambda: None
    between: Callable[[], None] = lambda: None
    progress: Progress = lambda text: None


def log_write(shop: Shop, log: Log, record: ImportDraft, hooks: Hooks | None = None) -> Imported:
    """Write a log into a shop, part by part, under a record; afterwards `history_written` is due.

    Not in a transaction of the caller's. What was written under this record before is left as it is and counted.
    Raises BadFile for jobs that the shop knows under another type: then the record is to be taken back.
    """
    hooks = hooks or Hooks()
    ids = event_ids(shop.pk, log.sittings)
    if set(ids) <= known_ids(shop, ids) and not record.events.exists():
        return Imported(shop, len(ids), 0, local_times=log.local_times, ignored=tuple(log.ignored))
    words = _words_write(shop, log, record, hooks)
    parts = list(parts_of(log.sittings))
    written = 0
    for n, places in enumerate(parts, start=1):
        hooks.progress(f"{written:,} of {len(ids):,} rows")
        rows = [log.sittings[i] for i in places]
        with transaction.atomic():
            shop_now = _locked(shop, hooks)
            _part_write(shop_now, words, rows, [ids[i] for i in places], record)
        written += len(places)
        if n < len(parts):
            hooks.between()
    stages = set(record.stages.values_list("stage", flat=True))
    clashes = sum(not stages.isdisjoint(clash.stages) for clash in clashes_of_shop(shop))
    with transaction.atomic():
        _routes_write(_locked(shop, hooks), words, record)
        ImportDraft.objects.filter(pk=record.pk).update(brought_in_at=timezone.now())
    return _imported(shop, log, record, clashes)


def parts_of(sittings: Sequence[Sitting]) -> Iterator[list[int]]:
    """The places of the rows of whole jobs, by their first row; a part ends with the job that fills it."""
    by_job: dict[str, list[int]] = defaultdict(list)
    for i, sitting in enumerate(sittings):
        by_job[sitting.job].append(i)
    part: list[int] = []
    for places in by_job.values():
        part += places
        if len(part) >= ROWS_AT_ONCE:
            yield part
            part = []
    if part:
        yield part


def _locked(shop: Shop, hooks: Hooks) -> Shop:
    # The shop's row is the lock: two imports, or an import and a new job, get different numbers.
    shop = Shop.objects.select_for_update().get(pk=shop.pk)
    hooks.guard()
    return shop


def _imported(shop: Shop, log: Log, record: ImportDraft, clashes: int) -> Imported:
    """What stands under the record."""
    return Imported(
        shop,
        len(log.sittings),
        record.events.filter(kind=TapKind.SITTING).count(),
        record.jobs.count(),
        record.stages.filter(is_new=True).count(),
        clashes=clashes,
        local_times=log.local_times,
        ignored=tuple(log.ignored),
        made=record.made.get("names", {}),
    )


def _words_write(shop: Shop, log: Log, record: ImportDraft, hooks: Hooks) -> Vocabulary:
    """Find or make what the log's words stand for, and keep with the record what was made."""
    with transaction.atomic():
        shop = _locked(shop, hooks)
        words = vocabulary_of(shop, log)
        keys, names = record.made.get("keys", {}), record.made.get("names", {})
        keys = {what: [*keys.get(what, []), *more] for what, more in {**keys, **words.keys}.items()}
        record.made = {**record.made, "keys": keys, "names": {**names, **words.made}}
        ImportDraft.objects.filter(pk=record.pk).update(made=record.made)
        hooks.words_made()
    return words


def _routes_write(shop: Shop, words: Vocabulary, record: ImportDraft) -> None:
    """Give the job types that have none their usual route, and keep it with the record."""
    made = routes_make(shop, words.job_types.values())
    if not made:
        return
    types = [row.pk for row in words.job_types.values() if row.name in made]
    lines = defaultdict(list)
    for job_type, kind in RouteStage.objects.filter(job_type__in=types).values_list("job_type", "kind"):
        lines[str(job_type)].append(kind)
    names = {**record.made.get("names", {}), "routes": made}
    record.made = {**record.made, "names": names, "routes": dict(lines)}
    ImportDraft.objects.filter(pk=record.pk).update(made=record.made)


def _part_write(
    shop: Shop, words: Vocabulary, sittings: Sequence[Sitting], ids: Sequence[uuid.UUID], record: ImportDraft
) -> None:
    """Write a few whole jobs, folded, as far as they are not there."""
    known = known_ids(shop, ids)
    if len(known) == len(set(ids)):
        return
    jobs = _jobs_write(shop, words, sittings, record)
    stages = stages_write(shop, words, jobs, sittings, ids, known, record)
    _events_write(shop, record, words, stages, sittings, ids, known)
    refold(shop, {stage.pk for stage in stages.values()}, announce=False)


def event_ids(shop_id: int, sittings: Sequence[Sitting]) -> list[uuid.UUID]:
    """The id of each row's event: of the shop, what the row says, and its place among rows that say the same."""
    seen: dict[str, int] = defaultdict(int)
    ids = []
    for s in sittings:
        # To a ten-thousandth of a second: what comes back out of the clock, or of a spreadsheet, is rounded.
        hands_on = "" if s.hands_on_min is None else f"{s.hands_on_min:.6f}"
        said = "\x1f".join(
            (
                str(shop_id),
                s.job,
                s.stage.casefold(),
                s.started_at.isoformat(),
                s.finished_at.isoformat(),
                hands_on,
                s.person.casefold(),
                s.machine.casefold(),
            )
        )
        ids.append(uuid.uuid5(NAMESPACE, f"{said}\x1f{seen[said]}"))
        seen[said] += 1
    return ids


def known_ids(shop: Shop, ids: Iterable[uuid.UUID]) -> set[uuid.UUID]:
    """Those of the ids that the shop has events of."""
    asked = sorted(set(ids))
    mine = ClockEvent.objects.of(shop).order_by()
    return {key for some in chunks(asked) for key in mine.filter(pk__in=some).values_list("pk", flat=True)}


def _jobs_write(
    shop: Shop, words: Vocabulary, sittings: Sequence[Sitting], record: ImportDraft
) -> dict[str, Job]:
    """The jobs of these rows by their text, found or made."""
    first: dict[str, Sitting] = {}
    for sitting in sittings:
        if sitting.job not in first or sitting.started_at < first[sitting.job].started_at:
            first[sitting.job] = sitting
    jobs = jobs_by_reference(shop, first)
    problems = other_types_in_shop(sittings, jobs, lambda text: words.job_types[text].pk)
    if problems:
        raise BadFile.of_rows(problems, len(sittings))
    number = Job.objects.of(shop).aggregate(last=Max("number"))["last"] or 0
    fresh = [
        Job(
            shop=shop,
            number=number + n,
            reference=text,
            imported=record,
            title=text,
            job_type=words.job_types[sitting.job_type],
            status=JobStatus.IN_HAND,
            created_at=sitting.started_at,
        )
        for n, (text, sitting) in enumerate(
            ((text, first[text]) for text in first if text not in jobs), start=1
        )
    ]
    Job.objects.bulk_create(fresh, batch_size=BATCH)
    jobs.update({job.reference: job for job in fresh})
    return jobs


def jobs_by_reference(shop: Shop, names: Collection[str]) -> dict[str, Job]:
    """The jobs that have one of these names in a log, by that name; with their types."""
    named = Job.objects.of(shop).select_related("job_type")
    return {job.reference: job for some in chunks(list(names)) for job in named.filter(reference__in=some)}


def other_types_in_shop(
    sittings: Iterable[Sitting], jobs: Mapping[str, Job], type_of: Callable[[str], int | None]
) -> list[Problem]:
    """Rows of a job that the shop knows under another type. type_of: the key of the type with this name, if any."""
    return [
        Problem(
            s.place,
            f"job {s.job} is of type {s.job_type!r} here, and in the shop of type {jobs[s.job].job_type.name!r}.",
            "job_type",
        )
        for s in sittings
        if s.job in jobs and jobs[s.job].job_type_id != type_of(s.job_type)
    ]


def _events_write(
    shop: Shop,
    record: ImportDraft,
    words: Vocabulary,
    stages: Mapping[StageKey, Stage],
    sittings: Sequence[Sitting],
    ids: Sequence[uuid.UUID],
    known: set[uuid.UUID],
) -> None:
    """Write a sitting for each new row, and the finish of each stage at the end of its last one."""
    now = timezone.now()
    last: dict[int, datetime] = {}
    for sitting in sittings:
        stage = stages[sitting.job, sitting.stage]
        last[stage.pk] = max(sitting.finished_at, last.get(stage.pk, sitting.finished_at))
    events = [
        ClockEvent(
            id=event_id,
            shop_id=shop.pk,
            kind=TapKind.SITTING,
            stage_id=stages[s.job, s.stage].pk,
            person_id=words.people[s.person].pk if s.person else None,
            machine_id=words.machines[s.machine].pk if s.machine else None,
            at=s.started_at,
            until=s.finished_at,
            hands_on_min=s.hands_on_min,
            device_at=s.started_at,
            received_at=now,
            device=DEVICE,
            imported=record,
        )
        for s, event_id in zip(sittings, ids, strict=True)
        if event_id not in known
    ]
    events += [
        ClockEvent(
            id=uuid.uuid5(NAMESPACE, f"{shop.pk}\x1f{stage_id}\x1ffinish\x1f{at.isoformat()}"),
            shop_id=shop.pk,
            kind=TapKind.FINISH,
            stage_id=stage_id,
            at=at,
            device_at=at,
            received_at=now,
            device=DEVICE,
            imported=record,
        )
        for stage_id, at in last.items()
    ]
    # A stage whose last sitting was imported before has its finish already.
    ClockEvent.objects.bulk_create(events, batch_size=BATCH, ignore_conflicts=True)
