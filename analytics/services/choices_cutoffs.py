"""Until when each next stage of a job may begin, in a sentence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from analytics.engine.book import Book
from analytics.engine.cutoffs import GRID, cut_off
from analytics.engine.hours import to_instant, to_minutes
from analytics.engine.variants import Common
from analytics.services.choices import Options
from analytics.services.promising import rounded_up, sayable
from analytics.services.running_totals import THREADS
from jobs.models import JobStatus
from shop.words import say_clock, say_day, say_instant

RUNS = 800
MOST = 3
"""Stages for which it is looked: each takes a dozen runs."""


@dataclass(frozen=True, eq=False)
class Deadline:
    """Until when a stage may begin, so that the job is done by `by`; and by when it is done otherwise."""

    stage: str
    latest: datetime
    by: datetime
    missed: datetime
    lies: str
    sentence: str
    caution: str


def deadlines_of(options: Options) -> list[Deadline]:
    """The cut-offs of today and of the next working day, the soonest first."""
    with sayable():
        common = Common.of(options.book, runs=RUNS, seed=options.job.number, threads=THREADS)
        by = _to_be_kept(options, common)
        until = _next_working_day_ends(options)
        found = []
        for i in _next_stages(options.book):
            cut = cut_off(common, i, level=options.level, by=by, until=until)
            if cut is not None:
                found.append(cut)
    found.sort(key=lambda cut: cut.latest)
    return [
        _deadline(options, cut.operation, options.at(cut.latest), options.at(by), options.at(cut.missed))
        for cut in found
    ]


def _next_stages(book: Book) -> list[int]:
    """The operations of the job that are next, and those right before a hold, by index."""
    operations = book.plan.operations
    mine = {i for i, one in enumerate(operations) if one.job == book.target}
    holds = {i for i in mine if _is_hold(book, i)}
    behind = {edge.after for edge in book.edges if edge.before in mine}
    before_hold = {edge.before for edge in book.edges if edge.after in holds}
    wanted = [
        i
        for i in sorted(mine - holds)
        if operations[i].running is None and (i not in behind or i in before_hold)
    ]
    return wanted[:MOST]


def _is_hold(book: Book, operation: int) -> bool:
    return book.plan.needs[book.plan.operations[operation].need].is_hold


def _to_be_kept(options: Options, common: Common) -> float:
    """What it is to be done by: its date if that can be kept, else the closing of the day it would be promised for."""
    reached = options.reached(common.finish(options.book))
    job, origin, hours = options.job, options.book.origin, options.book.plan.shop.calendars[0]
    if job.status != JobStatus.ENQUIRY and job.due_at is not None:
        due = to_minutes(origin, job.due_at)
        if reached <= due:
            return due
    zone = job.shop.zone
    day = to_instant(origin, reached).astimezone(zone).date()
    closings = [
        float(close)
        for close in hours.close[(hours.close >= reached) & (hours.close < reached + 2880)]
        if _day_of(origin, float(close), zone) == day
    ]
    return max(closings, default=reached)


def _day_of(origin: datetime, close: float, zone: ZoneInfo) -> date:
    """The day that a closing ends: at midnight, the one before."""
    return (to_instant(origin, close) - timedelta(minutes=1)).astimezone(zone).date()


def _next_working_day_ends(options: Options) -> float:
    """The closing of the second day from now on which the shop is open, minutes since the origin."""
    hours = options.book.plan.shop.calendars[0]
    last: dict[date, float] = {}
    for opens, closes in zip(hours.open.tolist(), hours.close.tolist(), strict=True):
        close = min(closes, max(opens, 0.0) + 2880.0)  # it may be open day and night
        if close <= 0.0:
            continue
        day = _day_of(options.book.origin, close, options.job.shop.zone)
        if day not in last and len(last) == 2:
            break
        last[day] = close
    return max(last.values(), default=0.0)


def _deadline(options: Options, operation: int, latest: datetime, by: datetime, missed: datetime) -> Deadline:
    shop, stages = options.job.shop, options.stages
    rows = {one.pk: one for one in options.job.stages.all()}
    today = shop.local(options.book.origin).date()

    def said(at: datetime) -> str:
        local = shop.local(at)
        return f"{say_clock(local)} today" if local.date() == today else say_instant(local, today)

    behind = (edge.after for edge in options.book.edges if edge.before == operation)
    lies = next((rows[stages[i].key].name for i in behind if _is_hold(options.book, i)), "")
    row = rows[stages[operation].key]
    name = row.name
    passes = f", and {lies.lower()} passes while the shop is closed" if lies else ""
    local_by = shop.local(by)
    kept = (
        f"the date given, {say_instant(local_by, today)}, holds"
        if options.job.due_at == by
        else f"it can be ready on {say_day(local_by.date(), today)}"
    )
    late = rounded_up(missed)
    when = "now" if latest - options.book.origin < timedelta(minutes=GRID) else f"by {said(latest)}"
    return Deadline(
        stage=name,
        latest=latest,
        by=by,
        missed=late,
        lies=lies,
        sentence=f"Begin {name.lower()} {when}{passes}: {kept}. Missed, it is {said(late)}.",
        caution=row.kind.caution,
    )
