"""The promise: from an enquiry to a date at the shop's confidence. `promises` gives it, and keeps the record."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property

from django.utils import timezone

from analytics.engine.book import Book, Futures, instant_of, run, run_until
from analytics.engine.hours import NeverOpen
from analytics.engine.placing import placed
from analytics.engine.plan import PersonSpec
from analytics.engine.sampling import BLOCK
from analytics.engine.simulate import HorizonTooShort
from analytics.engine.variants import first_of_all
from analytics.engine.work import LeftOut
from analytics.selectors.arrivals import LaterWork, later_work
from analytics.selectors.backlog import Reading, read_open
from analytics.selectors.models import learned_stages
from analytics.selectors.open_jobs import OpenJob
from analytics.selectors.refusals import REFUSALS, refusal_said
from analytics.selectors.stage_outlooks import StageOutlook, stage_outlooks
from analytics.services.following import level_for, levels_for
from analytics.services.quoting import Materials, materials_of
from analytics.services.running_totals import THREADS, Wish, first_futures, futures_kept
from jobs.models import Job
from shop.errors import BadInput
from shop.models import Shop

LEVELS = (0.5, 0.8, 0.95)
STEP = timedelta(minutes=30)
"""A promised instant is rounded up to this, as one says it to a customer."""

CURVE = tuple(i / 200 for i in range(1, 200))


@dataclass(frozen=True)
class Drive:
    """Mean minutes of the way to the finish, by stage kind and cause. position: of the kind, which picks its colour."""

    stage: str
    cause: str
    minutes: float
    position: int = 0


@dataclass(frozen=True)
class Harm:
    """How often another job's date is kept without and with this one."""

    job: str
    number: int
    before: float
    after: float


@dataclass(frozen=True)
class Outlook:
    """All that a promise shows. Instants are UTC.

    level: where the date is read off, so that the confidence holds. dates: confidence to instant, each read off at
    its own level. quantiles: plain probability to instant, as they are kept. curve: the finish at CURVE. error_min:
    half the width of the date's 95 % interval in working minutes. people: with the breaks that
    are reckoned with. left_out: other jobs that cannot be done to the end.
    """

    job: Job
    made_at: datetime
    confidence: float
    level: float
    promised_at: datetime
    dates: dict[float, datetime]
    quantiles: dict[float, datetime]
    curve: tuple[datetime, ...]
    stages: tuple[StageOutlook, ...]
    drives: tuple[Drive, ...]
    harm: tuple[Harm, ...]
    later: LaterWork
    jobs_ahead: int
    seed: int
    runs: int
    error_min: float
    book: Book
    people: tuple[PersonSpec, ...] = ()
    left_out: tuple[LeftOut, ...] = ()

    @property
    def defaults(self) -> list[StageOutlook]:
        """The stages for which only the trade default speaks."""
        return [stage for stage in self.stages if stage.is_default and not stage.is_hold]

    @cached_property
    def materials(self) -> Materials:
        """What the job takes in film, ink and money. The date does without it."""
        return materials_of(self.job, sum(stage.by_hand for stage in self.stages))


def promise_compute(
    shop: Shop,
    job: Job,
    *,
    now: datetime,
    confidence: float | None = None,
    put_first: bool = False,
    runs: int | None = None,
    wish: Wish = Wish(),  # noqa: B008 - it cannot be changed
    kept: bool = False,
) -> Outlook:
    """The finish of an enquiry as a distribution, through all that is promised and begun before it.

    now: aware. put_first: with its turn before all that waits. runs: so many futures; None: as many as `wish` has it.
    kept: go on from the futures that this process has, which may be more than were wished for, and keep these. The
    same runs give the same answer.
    Raises BadInput where the shop cannot make the job as described, with what to do.
    """
    confidence = shop.confidence if confidence is None else confidence
    if not 0 < confidence < 1:
        raise BadInput(
            f"The confidence is {confidence:g}. Give one between 0 and 1, as 0.8.", field="confidence"
        )
    with sayable():
        asked = ask(shop, job, now, level_for(shop, confidence, now))
        book = first_of_all(asked.book) if put_first else asked.book
        futures = _futures(book, job.number, asked.level, runs, wish, kept)
    return _outlook(shop, asked, book, futures, confidence)


def _futures(book: Book, seed: int, level: float, runs: int | None, wish: Wish, kept: bool) -> Futures:
    if kept and (runs is None or runs % BLOCK == 0):
        if runs is None:
            return futures_kept(book, seed=seed, level=level, wish=wish)
        return first_futures(book, seed=seed, level=level, runs=runs)
    if runs is not None:
        return run(book, runs=runs, seed=seed, threads=THREADS, level=level)
    return run_until(
        book,
        seed=seed,
        within=wish.within,
        most=wish.most,
        level=level,
        threads=THREADS,
        go_on=wish.go_on,
    )


@dataclass(frozen=True, eq=False)
class Asked:
    """A job with the open work. book: with the job in its place in the queue. level: where its date is read off."""

    job: OpenJob
    book: Book
    reading: Reading
    later: LaterWork
    level: float


def ask(shop: Shop, job: Job, now: datetime, level: float) -> Asked:
    """Read the open work with a job, and put that where its own date will put it, with what may come in before.

    Raises BadInput where there is nothing to date, and all that `placed` does.
    """
    known = learned_stages(shop)
    reading = read_open(shop, job, now, known)
    work = reading.work
    mine = reading.jobs[work.target]
    if not mine.kept:
        raise BadInput("The job has no stages. Take one in on its page, then ask again.", field="stages")
    if (
        mine.visits
        and max(end for _, end in mine.visits) <= now
        and any(stage.kind.on_site and stage.finished_at is None for stage in mine.kept.values())
    ):
        raise BadInput(
            "All the times at which the customer can be visited are over. Ask for others and set them down at the "
            "job, or remove them.",
            field="visits",
        )
    later = later_work(shop, now, known, work.spec)
    book = replace(work, later=later.later).book()
    book = placed(book, level, shortest=later.shortest, seed=job.number, threads=THREADS)
    return Asked(mine, book, reading, later, level)


@contextmanager
def sayable() -> Iterator[None]:
    """Turn what the simulation refuses into what the owner can do about it."""
    try:
        yield
    except REFUSALS as wrong:
        where = {NeverOpen: "opening_hours", HorizonTooShort: "backlog"}.get(type(wrong), "stages")
        raise BadInput(refusal_said(wrong), field=where) from wrong


def rounded_up(instant: datetime, step: timedelta = STEP) -> datetime:
    """The next whole step of the clock at or after an aware instant, UTC."""
    instant = instant.astimezone(UTC)
    start = instant.replace(hour=0, minute=0, second=0, microsecond=0)
    return start + -((start - instant) // step) * step


def now_to_the_minute() -> datetime:
    """The present minute: a page that is loaded twice within it shows the same date."""
    return timezone.now().replace(second=0, microsecond=0)


def _outlook(shop: Shop, asked: Asked, book: Book, futures: Futures, confidence: float) -> Outlook:
    now, job = book.origin, asked.job.job
    levels = levels_for(shop, LEVELS, now) | {confidence: asked.level}
    kinds = {stage.kind_id: stage.kind for stage in asked.job.stages}
    return Outlook(
        job=job,
        made_at=now,
        confidence=confidence,
        level=asked.level,
        promised_at=rounded_up(instant_of(book, futures.quantile(asked.level))),
        dates={p: instant_of(book, futures.quantile(level)) for p, level in sorted(levels.items())},
        quantiles={
            p: instant_of(book, futures.quantile(p)) for p in sorted({*LEVELS, confidence, asked.level})
        },
        curve=tuple(instant_of(book, futures.quantile(p)) for p in CURVE),
        stages=stage_outlooks(asked.job, asked.reading.at.known[0]),
        drives=tuple(
            Drive(kinds[kind].name, cause, minutes, kinds[kind].position)
            for kind, cause, minutes in futures.drives
            if kind in kinds
        ),
        harm=_harm(book, futures),
        later=asked.later,
        jobs_ahead=len(book.jobs) - 1,
        seed=job.number,
        runs=futures.runs,
        error_min=futures.error,
        book=book,
        people=asked.reading.work.spec.people,
        left_out=asked.reading.work.left_out,
    )


def _harm(book: Book, futures: Futures) -> tuple[Harm, ...]:
    """The jobs whose date this one would touch, the worst first."""
    touched = [
        Harm(book.jobs[i].name, book.jobs[i].number, before, after)
        for i, (before, after) in futures.harm.items()
        if abs(before - after) >= 0.005
    ]
    return tuple(sorted(touched, key=lambda harm: harm.after - harm.before))
