"""Write a log into a shop: jobs, stages and clock events. All of it, or nothing."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from jobs.importing.files import read_table
from jobs.importing.problems import BadFile, Problem
from jobs.importing.routes import routes_make
from jobs.importing.sittings import Log, Sitting, read_log
from jobs.importing.stages import StageKey, stages_write
from jobs.importing.vocabulary import Vocabulary, vocabulary_of
from jobs.models import ClockEvent, Driver, Job, JobStatus, Stage, TapKind
from jobs.services.clock import fold_shop
from jobs.signals import history_written
from jobs.stock import DRIVERS
from shop.models import Shop
from shop.services import shop_create, weekday_hours_create

NAMESPACE = uuid.UUID("5d0f6c5e-8a55-4f0b-9d5e-5d8f1f8f7a10")
"""Of the ids of imported events: the same row of the same shop has the same id whenever it is imported."""

DEVICE = "import"
NEW_SHOP = "shop"
BATCH = 2000

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


def import_timings(
    path: Path,
    shop: Shop | None,
    *,
    new_slug: str = "",
    define_drivers: bool = False,
    ignore_unknown: bool = False,
    progress: Progress = lambda text: None,
) -> Imported:
    """Read a file of stage times into a shop, as recorded sittings of finished stages, and have them learned.

    shop: None makes one (UTC, metric, open on weekdays). progress: called with what is being done. Raises BadFile,
    which names each bad row; then nothing was written. Importing the same file again changes nothing.
    """
    progress(f"Reading {path.name}")
    table = read_table(path)
    known = _drivers(shop)
    zone = shop.zone if shop else Shop().zone
    log = read_log(table, zone, known, define_drivers=define_drivers, ignore_unknown=ignore_unknown)
    with transaction.atomic():
        done = log_write(shop or _shop_make(new_slug), log, progress)
        done.shop_made = shop is None
    if done.changed:
        history_written.send(sender=Shop, shop=done.shop, progress=progress)
    return done


def _drivers(shop: Shop | None) -> dict[str, bool]:
    """The shop's drivers, or those that a new shop will have: key to whether it is a category."""
    if shop is None:
        return {key: False for key, *_ in DRIVERS}
    return dict(Driver.objects.of(shop).values_list("key", "is_category"))


def _shop_make(slug: str) -> Shop:
    slug = slug or NEW_SHOP
    shop = shop_create(slug=slug, name=slug.replace("-", " ").capitalize())
    weekday_hours_create(shop)
    return shop


def log_write(shop: Shop, log: Log, progress: Progress = lambda text: None) -> Imported:
    """Write a log into a shop; in a transaction, which the caller begins and after which `history_written` is due.

    Raises BadFile for jobs that the shop knows under another type.
    """
    # The shop's row is the lock: two imports, or an import and a new job, get different numbers.
    shop = Shop.objects.select_for_update().get(pk=shop.pk)
    ids = event_ids(shop.pk, log.sittings)
    known = known_ids(shop, ids)
    done = Imported(
        shop, len(ids), len(set(ids) - known), local_times=log.local_times, ignored=tuple(log.ignored)
    )
    if not done.changed:
        return done
    words = vocabulary_of(shop, log)
    done.made = words.made
    jobs, done.jobs = _jobs_write(shop, words, log.sittings)
    stages, done.stages = stages_write(shop, words, jobs, log.sittings, ids, known)
    made = routes_make(shop, words.job_types.values())
    if made:
        words.made["routes"] = made
    progress(f"Writing {done.new_rows:,} sittings")
    _events_write(shop, words, stages, log.sittings, ids, known)
    progress(f"Folding {len(stages):,} stages")
    clashes = fold_shop(shop, announce=False)
    ours = {stage.pk for stage in stages.values()}
    done.clashes = sum(not ours.isdisjoint(clash.stages) for clash in clashes)
    return done


def event_ids(shop_id: int, sittings: Sequence[Sitting]) -> list[uuid.UUID]:
    """The id of each row's event: of the shop, what the row says, and its place among rows that say the same."""
    seen: dict[str, int] = defaultdict(int)
    ids = []
    for s in sittings:
        hands_on = "" if s.hands_on_min is None else repr(s.hands_on_min)
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
    mine = ClockEvent.objects.of(shop).filter(kind=TapKind.SITTING, device=DEVICE)
    return set(ids) & set(mine.values_list("pk", flat=True))


def _jobs_write(shop: Shop, words: Vocabulary, sittings: Sequence[Sitting]) -> tuple[dict[str, Job], int]:
    """The log's jobs by their text, and how many are new."""
    first: dict[str, Sitting] = {}
    for sitting in sittings:
        if sitting.job not in first or sitting.started_at < first[sitting.job].started_at:
            first[sitting.job] = sitting
    jobs = jobs_by_reference(shop)
    problems = other_types_in_shop(sittings, jobs, lambda text: words.job_types[text].pk)
    if problems:
        raise BadFile.of_rows(problems, len(sittings))
    number = Job.objects.of(shop).aggregate(last=Max("number"))["last"] or 0
    fresh = [
        Job(
            shop=shop,
            number=number + n,
            reference=text,
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
    return jobs, len(fresh)


def jobs_by_reference(shop: Shop) -> dict[str, Job]:
    """The jobs that have a name in a log, by that name; with their types."""
    named = Job.objects.of(shop).exclude(reference="").select_related("job_type")
    return {job.reference: job for job in named}


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
        )
        for stage_id, at in last.items()
    ]
    # A stage whose last sitting was imported before has its finish already.
    ClockEvent.objects.bulk_create(events, batch_size=BATCH, ignore_conflicts=True)
