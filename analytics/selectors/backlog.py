"""The shop's open work as it stands, for the promise: who, which machines, what is left of each job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from analytics.engine.able import able_part
from analytics.engine.book import Book, BookedJob
from analytics.engine.hours import to_minutes
from analytics.engine.plan import CannotPlan, StageSpec
from analytics.engine.work import Arrow, LeftOut, OpenWork
from analytics.selectors.clocked import Clocked, clocked
from analytics.selectors.laws import PartForecast, stage_forecasts, stage_inputs
from analytics.selectors.left import Moment, arrow_of, holds_begun, left_of_job, waits_begun
from analytics.selectors.models import Learned, learned_stages
from analytics.selectors.open_jobs import OPEN, OpenJob, open_jobs
from analytics.selectors.premises import DAYS, machine_specs, shop_spec
from analytics.selectors.running import knowing_running
from jobs.models import Job, JobStatus, StageState
from shop.models import Shop

FAR_DAYS = 730
"""Work that cannot begin within these is left out: what comes after it has to end before the calendars do."""

__all__ = [
    "DAYS",
    "OPEN",
    "Clocked",
    "PartForecast",
    "Reading",
    "book_of",
    "clocked",
    "holds_begun",
    "machine_specs",
    "open_jobs",
    "open_work",
    "read_open",
    "shop_spec",
    "stage_forecasts",
    "stage_inputs",
    "waits_begun",
]


def book_of(shop: Shop, target: Job | None, now: datetime, known: Learned | None = None) -> Book:
    """The promise's input for a job, at `now` (aware): it, and all promised and begun jobs before it.

    target: None for the promised and begun jobs alone.

    Of another job that cannot be done only what can be is in it: see `OpenWork.left_out`.

    Raises:
        CannotPlan: a stage of the job needs a machine or a skill that the shop does not have.
        NeverOpen: the shop has no opening hours.

    """
    return open_work(shop, target, now, known).book()


def open_work(shop: Shop, target: Job | None, now: datetime, known: Learned | None = None) -> OpenWork:
    """What `book_of` makes its book from."""
    return read_open(shop, target, now, known).work


@dataclass(frozen=True, eq=False)
class Reading:
    """The open work, and what else was read for it: a changed copy of the job asked about needs nothing read again.

    jobs: in the order of the work's.
    """

    work: OpenWork
    at: Moment
    jobs: Sequence[OpenJob]

    def with_job(self, job: Job) -> OpenWork:
        """The open work with the stages of `job`, a copy of the job asked about, in place of that job's own.

        Stages keep their keys, so that the arrows of the copy lead between them. Raises CannotPlan as `plan` does.
        """
        place, work = self.work.target, self.work
        mine, links = left_of_job(OpenJob.of(job), place, self.at)
        gone = {stage.key for stage in work.stages if stage.job == place}
        stages = (
            *(stage for stage in work.stages if stage.job < place),
            *mine,
            *(stage for stage in work.stages if stage.job > place),
        )
        arrows = (*(arrow for arrow in work.arrows if arrow[0] not in gone), *map(arrow_of, links))
        return replace(work, stages=stages, arrows=arrows)


def read_open(shop: Shop, target: Job | None, now: datetime, known: Learned | None = None) -> Reading:
    """`open_work` with all that it was made from. As many queries for one job as for hundreds.

    Raises CannotPlan where the job asked about cannot be done as it stands.
    """
    known = known or learned_stages(shop)
    spec = shop_spec(shop, now)
    jobs = open_jobs(shop, target)
    clock = clocked(shop, now)
    begun = [
        (stage, one.inputs(stage), clock[stage.pk].hands_on, clock[stage.pk].unattended)
        for one in jobs
        for stage in one.stages
        if stage.pk in clock and stage.state == StageState.RUNNING
    ]
    at = Moment(now, clock, (known, knowing_running(known, begun, now)), spec)
    asked = next((i for i, one in enumerate(jobs) if target is not None and one.job.pk == target.pk), -1)
    booked = [_booked(one, now, target) for one in jobs]
    stages: list[StageSpec] = []
    arrows: list[Arrow] = []
    left_out: list[LeftOut] = []
    for index, one in enumerate(jobs):
        mine, links = left_of_job(one, index, at)
        ways = [arrow_of(link) for link in links]
        mine, why = able_part(spec, mine, ways, FAR_DAYS)
        if why and index == asked:
            raise CannotPlan(why)
        if why:
            left_out.append(LeftOut(index, one.job.number, why))
            booked[index] = _undated(booked[index])
        stages += mine
        arrows += ways
    work = OpenWork(
        now, spec, tuple(booked), tuple(stages), tuple(arrows), asked, DAYS, None, tuple(left_out)
    )
    return Reading(work, at, jobs)


def _undated(job: BookedJob) -> BookedJob:
    """A job that is done in part at its place in the queue, but finished at no date."""
    return replace(job, due=None, turn=job.due if job.turn is None else job.turn)


def _booked(one: OpenJob, now: datetime, target: Job | None) -> BookedJob:
    job = one.job
    due, turn = (None if moment is None else to_minutes(now, moment) for moment in (job.due_at, job.turn_at))
    if target is not None and job.pk == target.pk:  # its date is what is asked; one that has a place keeps it
        place = due if turn is None and job.status != JobStatus.ENQUIRY else turn
        return BookedJob(job.number, str(job), turn=place)
    return BookedJob(job.number, str(job), due, turn, one.confidence)
