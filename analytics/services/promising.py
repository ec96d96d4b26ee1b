"""The promise: from an enquiry to a date at the shop's confidence, and the record of what it was made from."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db import transaction
from django.utils import timezone

from analytics.engine.book import Book, Futures, from_bytes, instant_of, run, to_bytes
from analytics.engine.hours import NeverOpen
from analytics.engine.network import NetworkError
from analytics.engine.plan import CannotPlan
from analytics.engine.simulate import HorizonTooShort
from analytics.models import Promise
from analytics.selectors.backlog import book_of, stage_forecasts
from analytics.selectors.models import Learned, learned
from analytics.services.quoting import Materials, materials_of
from jobs.models import Job, JobStatus, StageKind
from jobs.services.stages import job_locked
from shop.errors import BadInput, ShopError
from shop.models import Shop, User
from shop.services import revision_raise

MODEL_VERSION = "1"
"""Raised when the duration model or the simulation would answer otherwise from the same book."""

RUNS = 4000
THREADS = min(2, os.cpu_count() or 1)
LEVELS = (0.5, 0.8, 0.95)
STEP = timedelta(minutes=30)
"""A promised instant is rounded up to this, as one says it to a customer."""

CURVE = tuple(i / 200 for i in range(1, 200))


@dataclass(frozen=True)
class StageOutlook:
    """A stage's minutes, hands-on and machine together, at 0.5 and 0.8; n: finished stages that it rests on."""

    name: str
    key: str
    position: int
    p50: float
    p80: float
    n: float
    is_default: bool
    is_hold: bool


@dataclass(frozen=True)
class Drive:
    """Mean minutes of the way to the finish, by stage kind and cause."""

    stage: str
    cause: str
    minutes: float


@dataclass(frozen=True)
class Harm:
    """How often another job's date is kept without and with this one."""

    job: str
    number: int
    before: float
    after: float


@dataclass(frozen=True)
class Outlook:
    """All that a promise shows. quantiles: confidence to instant; curve: the finish at CURVE; instants UTC."""

    job: Job
    made_at: datetime
    confidence: float
    promised_at: datetime
    quantiles: dict[float, datetime]
    curve: tuple[datetime, ...]
    stages: tuple[StageOutlook, ...]
    drives: tuple[Drive, ...]
    harm: tuple[Harm, ...]
    materials: Materials
    jobs_ahead: int
    seed: int
    runs: int
    book: Book

    @property
    def defaults(self) -> list[StageOutlook]:
        """The stages for which only the trade default speaks."""
        return [stage for stage in self.stages if stage.is_default and not stage.is_hold]


def promise_compute(
    shop: Shop, job: Job, *, now: datetime, confidence: float | None = None, runs: int = RUNS
) -> Outlook:
    """The finish of an enquiry as a distribution, through all that is promised and begun before it.

    now: aware. Raises BadInput where the shop cannot make the job as described, with what to do.
    """
    confidence = shop.confidence if confidence is None else confidence
    if not 0 < confidence < 1:
        raise BadInput(
            f"The confidence is {confidence:g}. Give one between 0 and 1, as 0.8.", field="confidence"
        )
    if not any(not stage.left_out for stage in job.stages.all()):
        raise BadInput("The job has no stages. Take one in on its page, then ask again.", field="stages")
    known = learned(shop)
    try:
        book = book_of(shop, job, now, known)
        return _outlook(
            shop, job, book, run(book, runs=runs, seed=job.number, threads=THREADS), known, confidence
        )
    except NeverOpen as never:
        raise BadInput(
            f"{never} Give the shop opening hours under Shop, Opening hours.", field="opening_hours"
        ) from never
    except HorizonTooShort as far:
        raise BadInput(
            "The open work is more than the shop's hours hold in two years. Add hours, people or machines under "
            "Shop, or cancel jobs that will not be made.",
            field="backlog",
        ) from far
    except (CannotPlan, NetworkError) as wrong:
        raise BadInput(str(wrong), field="stages") from wrong


@transaction.atomic
def promise_accept(outlook: Outlook, *, user: User | None, promised_at: datetime | None = None) -> Promise:
    """Give the date: the enquiry becomes a promised job, and what the date was made from is kept.

    promised_at: another date than the computed one, if the owner chose it.
    """
    job = job_locked(outlook.job)
    if job.status not in (JobStatus.ENQUIRY, JobStatus.PROMISED, JobStatus.IN_HAND):
        raise ShopError(
            f"Job {job.number} is {job.get_status_display().lower()}; there is nothing to promise."
        )
    promise = Promise.objects.create(
        shop=job.shop,
        job=job,
        made_at=outlook.made_at,
        made_by=user,
        confidence=outlook.confidence,
        promised_at=promised_at or outlook.promised_at,
        quantiles={f"{p:g}": at.isoformat() for p, at in outlook.quantiles.items()},
        quote=quote_of(job),
        seed=outlook.seed,
        runs=outlook.runs,
        model_version=MODEL_VERSION,
        backlog_digest=outlook.book.digest,
        snapshot=to_bytes(outlook.book),
    )
    job.due_at = promise.promised_at
    if job.status == JobStatus.ENQUIRY:
        job.status = JobStatus.PROMISED
    job.save(update_fields=["due_at", "status"])
    revision_raise(job.shop_id)
    return promise


@transaction.atomic
def promise_take_back(promise: Promise) -> None:
    """Undo an acceptance whose job has not begun: the job is an enquiry again and the record is gone."""
    job = job_locked(promise.job)
    if job.status != JobStatus.PROMISED:
        raise ShopError(f"Job {job.number} is {job.get_status_display().lower()}: its promise stands.")
    promise.delete()
    last = job.promises.order_by("-made_at").first()
    job.due_at = last.promised_at if last else None
    job.status = JobStatus.PROMISED if last else JobStatus.ENQUIRY
    job.save(update_fields=["due_at", "status"])
    revision_raise(job.shop_id)


def promise_again(promise: Promise) -> dict[str, str]:
    """The promise's quantiles, computed again from what was kept with it."""
    book = from_bytes(bytes(promise.snapshot))
    futures = run(book, runs=promise.runs, seed=promise.seed, threads=THREADS)
    return {p: instant_of(book, futures.quantile(float(p))).isoformat() for p in promise.quantiles}


def quote_of(job: Job) -> dict[str, object]:
    """What was asked, as `manage.py promise` reads it."""
    return {
        "job_type": job.job_type.name,
        "process": job.process.name if job.process else None,
        "finish": job.finish.name if job.finish else None,
        "media": job.media.name if job.media else None,
        "items": [
            {
                "name": item.name,
                "width_mm": item.width_mm,
                "height_mm": item.height_mm,
                "count": item.count,
                "cut_m": item.cut_m,
                "ink_build": item.ink_build,
            }
            for item in job.items.all()
        ],
        "drivers": job.drivers,
        "ready_from": job.ready_from.isoformat() if job.ready_from else None,
        "stages": [stage.name for stage in job.stages.all() if not stage.left_out],
    }


def rounded_up(instant: datetime, step: timedelta = STEP) -> datetime:
    """The next whole step of the clock at or after an aware instant, UTC."""
    instant = instant.astimezone(UTC)
    start = instant.replace(hour=0, minute=0, second=0, microsecond=0)
    return start + -((start - instant) // step) * step


def now_to_the_minute() -> datetime:
    """The present minute: a page that is loaded twice within it shows the same date."""
    return timezone.now().replace(second=0, microsecond=0)


def _outlook(
    shop: Shop, job: Job, book: Book, futures: Futures, known: Learned, confidence: float
) -> Outlook:
    levels = sorted({*LEVELS, confidence})
    quantiles = {p: instant_of(book, futures.quantile(p)) for p in levels}
    kinds = dict(StageKind.objects.of(shop).values_list("pk", "name"))
    return Outlook(
        job=job,
        made_at=book.origin,
        confidence=confidence,
        promised_at=rounded_up(quantiles[confidence]),
        quantiles=quantiles,
        curve=tuple(instant_of(book, futures.quantile(p)) for p in CURVE),
        stages=tuple(_stage_outlooks(job, known)),
        drives=tuple(Drive(kinds.get(stage, ""), cause, minutes) for stage, cause, minutes in futures.drives),
        harm=_harm(book, futures),
        materials=materials_of(job, _hands_on_mean(job, known)),
        jobs_ahead=len(book.jobs) - 1,
        seed=job.number,
        runs=futures.finish.size,
        book=book,
    )


def _stage_outlooks(job: Job, known: Learned) -> Sequence[StageOutlook]:
    found = []
    for stage in job.stages.all():
        if stage.left_out:
            continue
        kind = stage.kind
        if kind.is_hold and stage.hold_min:
            fixed = float(stage.hold_min)
            found.append(
                StageOutlook(
                    stage.name, kind.key, kind.position, fixed, fixed, 0, is_default=False, is_hold=True
                )
            )
            continue
        laws = [law.forecast for law in stage_forecasts(job, stage, known)]
        found.append(
            StageOutlook(
                stage.name,
                kind.key,
                kind.position,
                sum(float(law.quantile(0.5)) for law in laws),
                sum(float(law.quantile(0.8)) for law in laws),
                min((law.n for law in laws), default=0.0),
                is_default=any(law.is_default for law in laws),
                is_hold=kind.is_hold,
            )
        )
    return found


def _hands_on_mean(job: Job, known: Learned) -> float:
    """Mean person-minutes of the job, for its cost."""
    minutes: dict[str, float] = defaultdict(float)
    for stage in job.stages.all():
        if stage.left_out or stage.kind.is_hold:
            continue
        for law in stage_forecasts(job, stage, known):
            minutes[law.part] += law.forecast.mean * (stage.kind.people if law.part == "hands_on" else 1)
    return minutes["hands_on"]


def _harm(book: Book, futures: Futures) -> tuple[Harm, ...]:
    """The jobs whose date this one would touch, the worst first."""
    touched = [
        Harm(book.jobs[i].name, book.jobs[i].number, before, after)
        for i, (before, after) in futures.harm.items()
        if abs(before - after) >= 0.005
    ]
    return tuple(sorted(touched, key=lambda harm: harm.after - harm.before))
