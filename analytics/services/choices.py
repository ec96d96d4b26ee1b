"""A job's choices: the open work read once with it, and changed copies of the job that nothing is written of."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any

from django.db.models import Prefetch, QuerySet

from analytics.engine.book import Book, Futures, instant_of
from analytics.engine.hours import Calendar
from analytics.engine.placing import placed
from analytics.engine.plan import StageSpec
from analytics.engine.variants import Common, Floats, at_level, first_of_all
from analytics.engine.work import OpenWork
from analytics.services.following import level_for
from analytics.services.promising import Asked, ask, rounded_up, sayable
from analytics.services.running_totals import BUDGET, THREADS, Wish, for_seconds, futures_kept
from jobs.models import Item, Job, JobStatus, Stage, StageState
from jobs.services.stages import needed_rules, stage_as
from jobs.stock import FILM_KEYS
from shop.models import Finish, InkBuild, Process, Shop

RUNS, FEWEST = 1500, 500
STEPS = 1_000_000
"""Futures times stages for one changed copy: a tenth of a second or so, and there are a dozen."""

_GLOSSED = {
    InkBuild.COLOUR.value: InkBuild.COLOUR_GLOSS.value,
    InkBuild.WHITE_COLOUR.value: InkBuild.WHITE_COLOUR_GLOSS.value,
}
_BARED = {glossed: bare for bare, glossed in _GLOSSED.items()}


@dataclass(frozen=True, eq=False)
class Options:
    """A job with all the open work, and the futures that its choices share.

    turn: minutes since the origin, the place in the queue that it has, if it is promised; None: it takes the one that
    its own date gives it, by every way anew. total: the futures that the page of its date shows, which are more than
    the choices share. wish: how exact a date is to be.
    """

    job: Job
    asked: Asked
    common: Common
    confidence: float
    turn: float | None
    total: Futures
    wish: Wish

    @property
    def book(self) -> Book:
        """The open work as it stands, with the job in its place."""
        return self.common.book

    @property
    def stages(self) -> Sequence[StageSpec]:
        """What is left of the open jobs, in the order of the book's operations."""
        return self.asked.reading.work.stages

    @property
    def runs(self) -> int:
        """How many futures they are."""
        return len(self.common.minutes)

    @property
    def level(self) -> float:
        """Where a date is read off."""
        return self.asked.level

    def variant(
        self, job: Job | None = None, change: Callable[[OpenWork], OpenWork] = lambda work: work
    ) -> Book:
        """The open work with a changed copy of the job, or itself changed. Raises BadInput where it cannot be made."""
        with sayable():
            raw = self.asked.reading.work if job is None else self.asked.reading.with_job(job)
            return _placed(self.asked, change(raw), self.turn, self.job.number)

    def finish(self, book: Book) -> Floats:
        """The job's finishes in the open work or a variant of it, shape (runs,). Raises BadInput."""
        with sayable():
            return self.common.finish(book)

    def at(self, minutes: float) -> datetime:
        """The instant of minutes since the origin, UTC."""
        return instant_of(self.book, minutes)

    @cached_property
    def present(self) -> Floats:
        """The job's finishes as it stands, shape (runs,). Raises BadInput."""
        return self.finish(self.book)

    @cached_property
    def first(self) -> tuple[Book, Futures]:
        """The open work with the job put first of all, and its futures, as a rush is promised of. Raises BadInput."""
        book = first_of_all(self.book)
        with sayable():
            return book, futures_kept(book, seed=self.job.number, level=self.level, wish=self.wish)

    @property
    def promised_at(self) -> datetime:
        """The date that is promised of the job as it stands: that of the page of its date."""
        return rounded_up(self.at(self.total.quantile(self.level)))

    @property
    def promised_first(self) -> datetime:
        """The date that is promised of the job put first of all."""
        return rounded_up(self.at(self.first[1].quantile(self.level)))

    def reached(self, finish: Floats) -> float:
        """Minutes by which the shop's confidence has it that it is finished. finish: shape (runs,)."""
        return at_level(finish, self.level)

    def promised(self, finish: Floats) -> datetime:
        """The date that would be promised of these finishes, on the shared futures. Raises BadInput.

        It is moved by the working minutes by which `total` has the present date elsewhere than the shared futures
        have it, so that what changes nothing has the present date.
        """
        here, there = self.reached(self.present), self.total.quantile(self.level)
        at = self.reached(finish)
        return rounded_up(self.at(moved(at, here, there, self.book.plan.shop.calendars[0])))


def jobs_to_ask(shop: Shop) -> QuerySet[Job]:
    """The shop's jobs with all that their choices read."""
    stages = Stage.objects.select_related("kind__skill").prefetch_related("out_edges", "kind__ignores")
    return (
        Job.objects.of(shop)
        .select_related("shop", "customer", "job_type", "process", "finish", "media")
        .prefetch_related(Prefetch("stages", stages), "items", "visits", "job_type__unsuited")
    )


def options_of(shop: Shop, job: Job, *, now: datetime, confidence: float | None = None) -> Options:
    """Read the open work once, and draw its futures. job: of `jobs_to_ask`.

    Raises BadInput where the shop cannot make the job as it stands, with what to do.
    """
    confidence = shop.confidence if confidence is None else confidence
    with sayable():
        asked = ask(shop, job, now, level_for(shop, confidence, now))
        book, work = asked.book, asked.reading.work
        turn = work.jobs[work.target].turn
        runs = max(FEWEST, min(RUNS, STEPS // max(1, len(book.plan.operations))))
        common = Common.of(book, runs=runs, seed=job.number, threads=THREADS)
        wish = Wish(go_on=for_seconds(BUDGET))
        total = futures_kept(book, seed=job.number, level=asked.level, wish=wish)
    return Options(job, asked, common, confidence, turn, total, Wish(go_on=for_seconds(2 * BUDGET)))


def moved(at: float, here: float, there: float, hours: Calendar) -> float:
    """An instant moved by the working minutes from `here` to `there`, minutes since the origin.

    One outside the opening hours, as the end of a hold, is moved by the minutes between them.
    """
    if at == here or here == there:
        return there if at == here else at
    if not hours.is_open(at):
        return at + there - here
    work = float(hours.work(at) + hours.work(there) - hours.work(here))
    return float(hours.finish(hours.open[0], max(work, 0.0)))


def _placed(asked: Asked, work: OpenWork, turn: float | None, seed: int) -> Book:
    """The work with what may come in, and the job in its place: `turn`, or where its own date puts it."""
    later = asked.later
    book = replace(work.with_turn(work.target, turn), later=later.later).book()
    return placed(book, asked.level, shortest=later.shortest, seed=seed, threads=THREADS)


def is_open(job: Job) -> bool:
    """Whether there is a date to be asked about at all."""
    return job.status in (JobStatus.ENQUIRY, JobStatus.PROMISED, JobStatus.IN_HAND)


def film_begun(job: Job) -> bool:
    """Whether film has gone into the job, so that it is too late for another way."""
    return any(
        stage.kind.key in (*FILM_KEYS, "print") and (stage.state != StageState.WAITING or stage.started_at)
        for stage in job.stages.all()
    )


def glossed(ink: str, gloss: bool) -> str:
    """An ink build with a full gloss layer over it, or without one."""
    return _GLOSSED.get(ink, ink) if gloss else _BARED.get(ink, ink)


def has_gloss(job: Job) -> bool:
    """Whether every item that has ink has a gloss layer over it."""
    inks = [item.ink_build for item in job.items.all() if item.ink_build != InkBuild.NONE]
    return bool(inks) and all(ink in _BARED for ink in inks)


def changed(
    job: Job,
    *,
    process: Process | None,
    finish: Finish | None,
    gloss: bool | None = None,
) -> Job:
    """A copy of the job made another way, with its stages taken in as its type's rules have it; nothing is stored.

    gloss: a full gloss layer over everything or over nothing; None leaves the inks.
    """
    other = with_facts(job, process=process, finish=finish)
    items = [copy.copy(item) for item in job.items.all()]
    for item in items:
        item.ink_build = ink_for(item.ink_build, process, gloss)
    rules, stages = needed_rules(job), [copy.copy(stage) for stage in job.stages.all()]
    before = (job.process, job.finish)
    for stage in stages:
        if stage.state == StageState.WAITING and stage.started_at is None:
            needed = rules.get((stage.kind_id, stage.name), "")
            stage.left_out, stage.hold_min = stage_as(stage, needed, (process, finish), before)
    kept = getattr(job, "_prefetched_objects_cache", {})
    other._prefetched_objects_cache = {  # type: ignore[attr-defined]
        **kept,
        "items": _as_read(Item.objects.of(job.shop), items),
        "stages": _as_read(Stage.objects.of(job.shop), stages),
    }
    return other


def with_facts(job: Job, **facts: Any) -> Job:
    """A copy of the job with other values of these fields; nothing is stored."""
    other = copy.copy(job)
    for name, value in facts.items():
        setattr(other, name, value)
    return other


def ink_for(ink: str, process: Process | None, gloss: bool | None) -> str:
    """The ink build of an item made by another process: one that does not print lays none, one that does lays some."""
    if process is not None and not process.prints:
        return InkBuild.NONE
    if ink == InkBuild.NONE and process is not None:
        ink = InkBuild.COLOUR
    return ink if gloss is None else glossed(ink, gloss)


def _as_read(rows: QuerySet[Any], found: Sequence[Any]) -> QuerySet[Any]:
    """A query that was answered with these rows."""
    rows._result_cache = list(found)
    rows._prefetch_done = True  # type: ignore[attr-defined]
    return rows
