"""A job's forecast: each stage with what was clocked so far, what its law says, and what is left of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
from django.db.models import Count, Prefetch, Q, QuerySet

from analytics.engine.backtest import column
from analytics.engine.forecast import Forecast
from analytics.engine.totals import total
from analytics.engine.trade import Part, defaults_for
from analytics.models import Sample
from analytics.selectors.backlog import PartForecast
from analytics.selectors.job_left import JobLeft, Work, left_of, works_of
from analytics.selectors.models import Learned, learned
from analytics.selectors.own_estimates import EstimateRecord, estimate_record, planned_of
from jobs.models import Job, JobStatus, Stage, StageState
from shop.models import Shop

FEW = 20
"""Finished stages below which the page says that there are too few for a narrow range."""

LEVELS = (0.1, 0.5, 0.8, 0.9)


@dataclass(frozen=True)
class Spread:
    """Minutes that one, five, eight and nine in ten stay within."""

    p10: float
    p50: float
    p80: float
    p90: float

    @classmethod
    def of(cls, minutes: Iterable[float]) -> Spread:
        """From minutes at LEVELS."""
        return cls(*(float(one) for one in minutes))

    @classmethod
    def fixed(cls, minutes: float) -> Spread:
        """Of a length that is set."""
        return cls(minutes, minutes, minutes, minutes)


@dataclass(frozen=True)
class Counts:
    """How many finished stages of a kind were learned from, and how many of them were in jobs of this type."""

    n: int = 0
    of_type: int = 0


@dataclass(frozen=True)
class StageRow:
    """One kept stage of the job.

    parts: the laws of its parts before any of it was clocked; none where its length is set. clocked: minutes so far,
    by hand and of the machine alone; of a hold elapsed. forecast: of the whole stage, as before it began; None once it
    is finished, for the model has learned it by then. left: None once finished. fell: where a finished one fell in
    the forecasts made before it, 0 to 1. planned: somebody's own estimate, minutes.
    """

    stage: Stage
    parts: Sequence[PartForecast]
    machine: str
    clocked: float
    forecast: Spread | None
    left: Spread | None
    fell: float | None
    planned: float | None
    counts: Counts
    is_set: bool

    @property
    def is_hold(self) -> bool:
        """Whether nobody is needed for it."""
        return self.stage.kind.is_hold

    @property
    def is_done(self) -> bool:
        """Whether it is finished."""
        return self.stage.state == StageState.FINISHED

    @property
    def is_default(self) -> bool:
        """Whether nothing was learned of any of its parts."""
        return all(part.forecast.is_default for part in self.parts)

    @property
    def is_few(self) -> bool:
        """Whether it rests on so few finished stages that its range cannot be narrow."""
        return not self.is_set and self.counts.n < FEW

    @property
    def rests_on(self) -> str:
        """The default or the history behind it, in a few words."""
        if self.is_set:
            return "set length"
        if self.counts.n == 0 or self.is_default:
            known = any(defaults_for(self.stage.kind.key, part.part).components for part in self.parts)
            return f"{'trade default' if known else 'no trade default'}, nothing clocked yet"
        n, of_type = self.counts.n, self.counts.of_type
        return f"{n:,} clocked, {'all' if of_type == n else f'{of_type:,}' if of_type else 'none'} of this job type"


@dataclass(frozen=True)
class JobForecast:
    """All that the page of a job's forecast shows.

    hands_on, machine, work: what is left of the job, minutes of somebody at it, of machines alone, and both together;
    holds are not in it. sized: whether anything is known of its sizes.
    """

    job: Job
    at: datetime
    rows: Sequence[StageRow]
    hands_on: Spread
    machine: Spread
    work: Spread
    estimates: EstimateRecord
    sized: bool

    @cached_property
    def open_rows(self) -> list[StageRow]:
        """The stages that are not finished."""
        return [row for row in self.rows if not row.is_done]

    @property
    def few(self) -> list[StageRow]:
        """The stages to come, no holds, that rest on few records."""
        return [row for row in self.open_rows if row.is_few and not row.is_hold]

    @property
    def clocked(self) -> float:
        """Minutes of work so far, without holds."""
        return sum(row.clocked for row in self.rows if not row.is_hold)

    @property
    def is_over(self) -> bool:
        """Whether nothing is to come any more."""
        return not self.open_rows or self.job.status in (JobStatus.FINISHED, JobStatus.CANCELLED)


def jobs_to_forecast(shop: Shop) -> QuerySet[Job]:
    """The shop's jobs with all that a forecast reads of them."""
    stages = Stage.objects.select_related("kind__skill").prefetch_related("out_edges", "kind__ignores")
    jobs = Job.objects.of(shop).select_related("shop", "customer", "job_type")
    return jobs.prefetch_related("items", Prefetch("stages", stages))


def job_forecast(job: Job, now: datetime, known: Learned | None = None) -> JobForecast:
    """The forecast of a job of `jobs_to_forecast` at `now` (aware)."""
    known = known or learned(job.shop)
    works = works_of(job, known, now)
    left = left_of(job, works, known)
    counts = stage_counts(job, [work.stage for work in works])
    own = any(work.stage.drivers for work in works)
    return JobForecast(
        job=job,
        at=now,
        rows=[_row(work, left, counts.get(work.stage.kind_id, Counts()), known) for work in works],
        hands_on=Spread.of(left.drawn.quantile(LEVELS, left.hands_on)),
        machine=Spread.of(left.drawn.quantile(LEVELS, left.machine)),
        work=Spread.of(left.drawn.quantile(LEVELS, [*left.hands_on, *left.machine])),
        estimates=estimate_record(job.shop),
        sized=own or bool(job.items.all() or job.drivers),
    )


def stage_counts(job: Job, stages: Iterable[Stage]) -> dict[int, Counts]:
    """By stage kind: the finished stages that were learned from."""
    kinds = {stage.kind_id for stage in stages}
    rows = Sample.objects.of(job.shop).filter(used=True, kind__in=kinds).order_by().values("kind")
    found = rows.annotate(n=Count("pk"), of_type=Count("pk", filter=Q(job_type=job.job_type_id)))
    return {kind: Counts(n, of_type) for kind, n, of_type in found.values_list("kind", "n", "of_type")}


def _row(work: Work, left: JobLeft, counts: Counts, known: Learned) -> StageRow:
    stage = work.stage
    done = stage.state == StageState.FINISHED
    if work.set_left is not None:
        spread = Spread.fixed(work.set_left)
    else:
        spread = Spread.of(left.drawn.quantile(LEVELS, left.stages[stage.pk]))
    return StageRow(
        stage=stage,
        parts=work.parts,
        machine=work.machine,
        clocked=sum(work.clocked),
        forecast=None if done else whole_of(stage, work.parts, known),
        left=None if done else spread,
        fell=_fell(work.pits, work.clocked),
        planned=planned_of(stage.drivers),
        counts=counts,
        is_set=work.set_left is not None,
    )


def whole_of(stage: Stage, parts: Sequence[PartForecast], known: Learned) -> Spread:
    """The law of a whole stage, all of its parts together."""
    if not parts:
        return Spread.fixed(float(stage.hold_min or 0))
    laws: list[Forecast] = [part.forecast for part in parts]
    if len(laws) > 1:
        names = [column(stage.kind.key, part.part) for part in parts]
        # One seed for all: equal stages are said to take equally long, here and beside a date.
        laws = [total(laws, known.correlations.matrix(names), np.random.default_rng(0))]
    return Spread.of(laws[0].quantile(LEVELS))


def _fell(pits: Mapping[Part, float], minutes: tuple[float, float]) -> float | None:
    """Where the part that took longer fell in the forecast before it."""
    longer: Part = "hands_on" if minutes[0] >= minutes[1] else "unattended"
    return pits.get(longer, next(iter(pits.values()), None))
