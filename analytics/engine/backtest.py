"""Walk a shop's history forward in time: forecast each job from the jobs before it, then learn it.

Which moment a forecast stands for (`Options.as_of`):

- "finish", the usual: jobs are taken in the order in which they finished, and every stage of a job, and its total,
  is forecast from the jobs that finished before it. Nothing of the job itself is known, but jobs that finished while
  it ran are. That flatters the forecast a little where jobs run long beside each other, because on the day of the
  promise those were still at work.
- "start": a job is forecast with what was known when its first stage began: every stage that had finished by then,
  of any job.

In both, drivers, the person and the machine are taken as known beforehand: a shop that plans a job says what is to
be made and by whom. On records of what was done they are what turned out, which flatters the forecast where the plan
was changed. For the person and the machine that is little: without them the CRPS of the stages was less than 1 %
worse on two public logs. A driver that is an outcome of the work (pieces done in a sitting) flatters it more: without
it, 19 % worse. Only a driver that is known before the work is an honest one; the others can be left out
(`Options.leave_out`).

Two simple forecasts are scored on the same cases: the mean of past stages of that job type with a quarter added,
and their empirical quantiles. Without such a past they use that stage of any type, then any stage. Where a person's
own estimate stands among the drivers it is scored too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from analytics.engine.forecast import Forecast
from analytics.engine.learner import (
    JobRecord,
    Learner,
    Pits,
    StageRecord,
    column,
    forecast_job,
    pits_of,
)
from analytics.engine.tally import CRPS, CRPS_MEAN, CRPS_PAST, LEVELS, Past, PlanTally, Tally, case_scores
from analytics.engine.walking import HistoryChanged, Moment, fingerprint, moments

__all__ = [
    "JOB_TOTAL",
    "LEVELS",
    "PLAN",
    "SHOWN",
    "BacktestResult",
    "ForecastRow",
    "HistoryChanged",
    "JobRecord",
    "Learner",
    "Options",
    "Past",
    "StageRecord",
    "Tally",
    "Walk",
    "column",
    "forecast_job",
    "walk",
]

SHOWN = (0.05, 0.10, 0.25, 0.50, 0.75, 0.80, 0.90, 0.95, 0.98)
JOB_TOTAL = "job total"
"""What stands for the stage where a forecast is of the sum of a job's minutes."""

PLAN = "planned_min"
"""The driver that is a person's own estimate of a stage, minutes."""

ALL = "all"


@dataclass(frozen=True)
class Options:
    """What a walk forecasts and what its forecasts may know.

    first: forecasts begin after so many finished jobs. scored_from, scored_until: minutes since the origin; jobs
    finished before the one are learned and not forecast, and the walk ends before the first that finished at the
    other or later. leave_out: drivers and categories that are neither learned nor known. seed: of the draws for totals.
    """

    first: int = 5
    scored_from: float = -np.inf
    scored_until: float = np.inf
    leave_out: frozenset[str] = frozenset()
    as_of: Literal["finish", "start"] = "finish"
    seed: int = 0

    @property
    def rules(self) -> str:
        """What changes the walk's course. Where it ends does not: it can be taken further."""
        return repr((self.first, self.scored_from, sorted(self.leave_out), self.as_of, self.seed))


@dataclass(frozen=True)
class ForecastRow:
    """One forecast, made before its job was read, and what then happened.

    quantiles: minutes at SHOWN. stage: its name or JOB_TOTAL. finished_at: minutes since the origin. planned_min:
    the person's own estimate, of a job only where all its stages have one. pit: where the minutes fell, 0..1. crps,
    crps_mean, crps_past: of the forecast and the two simple ones, minutes; None where the case is not scored, because
    its record is not fit (`why`) or there is no past for the simple forecasts. job_row, stage_row: the caller's own
    numbers for them; stage_row is None for a total.
    """

    job: str
    stage: str
    quantiles: tuple[float, ...]
    actual_min: float
    used: bool
    why: str
    job_type: str = ""
    finished_at: float = 0.0
    planned_min: float | None = None
    pit: float | None = None
    crps: float | None = None
    crps_mean: float | None = None
    crps_past: float | None = None
    job_row: int = 0
    stage_row: int | None = None


@dataclass(frozen=True)
class BacktestResult:
    """SCOREs by stage and by job type, JSON-safe, the people's own estimates, and how many jobs were walked."""

    stages: dict[str, dict[str, Any]]
    jobs: dict[str, dict[str, Any]]
    walked: int
    plan: dict[str, Any] = field(default_factory=lambda: PlanTally().score())

    def to_dict(self) -> dict[str, Any]:
        """{"stages": {"all": SCORE, …}, "jobs": {"all": SCORE, …}, "plan": {"n", "crps_min", "ours_crps_min"}}."""
        return {"stages": self.stages, "jobs": self.jobs, "plan": self.plan}


class Walk:
    """A walk that can be taken step by step, stored at any step, and taken up again.

    done: how many of `steps` are taken; in the usual order a step is a job. learner: what has been learned.
    """

    def __init__(self, jobs: Iterable[JobRecord], options: Options | None = None) -> None:
        self.options = options or Options()
        ordered = sorted(jobs, key=lambda job: (job.finished_at, job.key))
        kept = [job for job in ordered if job.finished_at < self.options.scored_until]
        self.jobs = [_without(job, self.options.leave_out) for job in kept]
        self.plans = [_plans(job) for job in kept]
        self.steps = moments(self.jobs, self.options.as_of)
        self.done = self.finished = 0
        self.history = self.options.rules
        self.learner = Learner()
        self.past_stages, self.past_jobs = Past(), Past()
        self.by_stage: defaultdict[str, Tally] = defaultdict(Tally, {ALL: Tally()})
        self.by_type: defaultdict[str, Tally] = defaultdict(Tally, {ALL: Tally()})
        self.plan = PlanTally()
        self.waiting: dict[int, Pits] = {}

    def __iter__(self) -> Iterator[list[ForecastRow]]:
        """Take the steps that are left, and give the forecasts that each makes."""
        while self.done < len(self.steps):
            yield self.step()

    def step(self) -> list[ForecastRow]:
        """Take one step; the forecasts that it makes. Raises IndexError at the end."""
        rows: list[ForecastRow] = []
        step = self.steps[self.done]
        for moment in step:
            if moment.does == "forecast":
                rows += self._forecast(moment.job)
            elif moment.does == "learn stages":
                self._learn_stages(moment)
            else:
                self._learn_job(moment.job)
        self.history = fingerprint(self.history, step, self.jobs)
        self.done += 1
        return rows

    def result(self) -> BacktestResult:
        """The scores until here."""
        return BacktestResult(_scored(self.by_stage), _scored(self.by_type), self.finished, self.plan.score())

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe: what `Walk.resumed` needs, beside the jobs themselves, to go on as if it had not stopped."""
        return {
            "done": self.done,
            "history": self.history,
            "learner": self.learner.to_dict(),
            "by_stage": {name: tally.to_dict() for name, tally in self.by_stage.items()},
            "by_type": {name: tally.to_dict() for name, tally in self.by_type.items()},
            "plan": [self.plan.n, self.plan.theirs, self.plan.ours],
            "waiting": [
                [job, dict(pits.columns), pits.whole, pits.sound] for job, pits in self.waiting.items()
            ],
        }

    @classmethod
    def resumed(cls, jobs: Iterable[JobRecord], options: Options | None, stored: Mapping[str, Any]) -> Walk:
        """The walk as `to_dict` stored it. Raises HistoryChanged if what was walked until there is not the same now,
        or if it was stored by a program that kept other things."""
        walk = cls(jobs, options)
        try:
            for step in walk.steps[: stored["done"]]:
                walk.history = fingerprint(walk.history, step, walk.jobs)
                for moment in step:
                    walk._remember(moment)
            walk.done = stored["done"]
            if walk.history != stored["history"]:
                raise HistoryChanged("The jobs that were walked through have changed.")
            walk._restore(stored)
        except HistoryChanged:
            raise
        except (KeyError, TypeError, ValueError) as error:
            raise HistoryChanged("It was stored in another form.") from error
        return walk

    def _restore(self, stored: Mapping[str, Any]) -> None:
        self.learner = Learner.from_dict(stored["learner"])
        for tallies, name in ((self.by_stage, "by_stage"), (self.by_type, "by_type")):
            tallies.update({group: Tally.from_dict(tally) for group, tally in stored[name].items()})
        self.plan = PlanTally(*stored["plan"])
        self.waiting = {job: Pits(*pits) for job, *pits in stored["waiting"]}

    def _forecast(self, number: int) -> list[ForecastRow]:
        """Forecast a job, keep where its minutes fell until it is learned, and score it."""
        job = self.jobs[number]
        rng = np.random.default_rng((self.options.seed, number))
        forecasts, stages, whole = forecast_job(self.learner, job, rng)
        self.waiting[number] = pits_of(job, forecasts, whole)
        if self.finished < self.options.first or job.finished_at < self.options.scored_from:
            return []
        rows = [
            self._stage_row(job, *each) for each in zip(job.stages, stages, self.plans[number], strict=True)
        ]
        return [*rows, self._whole_row(job, whole, self.plans[number])]

    def _stage_row(
        self, job: JobRecord, stage: StageRecord, law: Forecast, planned: float | None
    ) -> ForecastRow:
        row = ForecastRow(
            job.key,
            stage.stage,
            _quantiles(law),
            stage.actual,
            stage.used,
            stage.why,
            job.job_type,
            stage.finished_at,
            planned,
            job_row=job.row,
            stage_row=stage.row,
        )
        past = self.past_stages.of(job.job_type, stage.kind_key)
        row = _with_scores(row, law, past, self.by_stage, stage.stage)
        if row.crps is not None and planned is not None:
            self.plan.add(planned, stage.actual, row.crps)
        return row

    def _whole_row(self, job: JobRecord, whole: Forecast, plans: Sequence[float | None]) -> ForecastRow:
        """A job with an unfit stage is not scored."""
        known = [planned for planned in plans if planned is not None]
        row = ForecastRow(
            job.key,
            JOB_TOTAL,
            _quantiles(whole),
            job.actual,
            job.used,
            "; ".join(f"{stage.stage}: {stage.why}" for stage in job.stages if not stage.used),
            job.job_type,
            job.finished_at,
            sum(known) if known and len(known) == len(plans) else None,
            job_row=job.row,
        )
        return _with_scores(row, whole, self.past_jobs.of(job.job_type), self.by_type, job.job_type)

    def _learn_stages(self, moment: Moment) -> None:
        sound = self.learner.learn_stages(moment.stages(self.jobs))
        pits = self.waiting[moment.job]
        self.waiting[moment.job] = replace(pits, sound=pits.sound * sound)
        self._remember(moment)

    def _learn_job(self, number: int) -> None:
        self.learner.learn_together(self.waiting.pop(number))
        self._remember(Moment("learn job", number))

    def _remember(self, moment: Moment) -> None:
        """Add what a moment tells to what the simple forecasts know."""
        job = self.jobs[moment.job]
        if moment.does == "learn stages":
            for stage in moment.stages(self.jobs):
                if stage.used:
                    self.past_stages.add(stage.actual, job.job_type, stage.kind_key)
        elif moment.does == "learn job":
            self.finished += 1
            if job.used:
                self.past_jobs.add(job.actual, job.job_type)


def walk(
    jobs: Iterable[JobRecord],
    first: int = 5,
    on_forecast: Callable[[ForecastRow], None] | None = None,
    *,
    seed: int = 0,
    options: Options | None = None,
) -> BacktestResult:
    """Forecast and then learn each job, in the order of their finish; score from the job after the first `first`.

    on_forecast: called with every forecast, scored or not. A case counts in the scores if its record is used and
    there is any past for the simple forecasts. seed: of the draws for the totals. options: instead of both.
    """
    going = Walk(jobs, options or Options(first, seed=seed))
    for rows in going:
        for row in rows if on_forecast else ():
            on_forecast(row)  # type: ignore[misc]
    return going.result()


def _with_scores(
    row: ForecastRow, law: Forecast, past: Sequence[float], tallies: defaultdict[str, Tally], group: str
) -> ForecastRow:
    """The row with its scores, which are also counted in its group and in all."""
    if not row.used:
        return row
    row = replace(row, pit=law.pit(row.actual_min))
    if not past:
        return row
    case = case_scores(law, past, row.actual_min)
    for name in (ALL, group):
        tallies[name].add(case)
    ours, mean, quantiles = (float(case[at]) for at in (CRPS, CRPS_MEAN, CRPS_PAST))
    return replace(row, crps=ours, crps_mean=mean, crps_past=quantiles)


def _without(job: JobRecord, names: frozenset[str]) -> JobRecord:
    """The job without some drivers and categories."""
    if not names:
        return job
    stages = [
        replace(
            stage,
            drivers={name: value for name, value in stage.drivers.items() if name not in names},
            categories={name: value for name, value in stage.categories.items() if name not in names},
        )
        for stage in job.stages
    ]
    return replace(job, stages=stages)


def _plans(job: JobRecord) -> list[float | None]:
    return [stage.drivers.get(PLAN) for stage in job.stages]


def _quantiles(law: Forecast) -> tuple[float, ...]:
    return tuple(float(q) for q in law.quantile(SHOWN))


def _scored(tallies: Mapping[str, Tally]) -> dict[str, dict[str, Any]]:
    """SCOREs by group, 'all' first."""
    return {name: tallies[name].score() for name in sorted(tallies, key=lambda name: (name != ALL, name))}
