"""How well the forecasts of a shop's newest walk through its past did."""

from __future__ import annotations

import calendar
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from analytics.engine import quality
from analytics.engine.quality import (
    Bias,
    Cases,
    Coverage,
    ErrorRatio,
    Ints,
    Lean,
    PitHistogram,
    Runs,
    Uniformity,
)
from analytics.models import BacktestRun
from analytics.selectors.durations import Period
from analytics.selectors.forecast_cases import Asked, load
from jobs.models import JobType, StageKind

SEED = 1
"""Of the resamples: the same page shows the same figures."""


@dataclass(frozen=True)
class Group:
    """Some of the cases, and the query of their list.

    error: mean CRPS, minutes; nan for none. errors: against the mean of the past with a quarter added, the past's own
    quantiles, and the person's own estimate.
    """

    name: str
    query: str
    n: int
    error: float
    bias: Bias | None
    coverage: tuple[Coverage, ...]
    errors: tuple[ErrorRatio | None, ...]


@dataclass(frozen=True)
class ForecastQuality:
    """All that the page shows. jobs: how many the cases are of. worth: how many independent cases they are worth."""

    every: Group
    jobs: int
    worth: float
    histogram: PitHistogram | None
    uniformity: Uniformity | None
    lean: Lean
    runs: Runs | None
    by_kind: list[Group]
    by_type: list[Group]
    by_month: list[Group]


def forecast_quality(run: BacktestRun, asked: Asked) -> ForecastQuality | None:
    """How well the forecasts of the cases asked for did; None where there is no such case."""
    loaded = load(run, asked)
    cases = loaded.cases
    if not len(cases):
        return None
    scored = cases.take(np.isfinite(cases.pit))
    alike = quality.likeness(quality.normal_scores(scored.pit), scored.job)
    worth = quality.worth(scored.job, alike)
    kinds = (
        {} if asked.whole or asked.kind else dict(StageKind.objects.of(run.shop).values_list("pk", "name"))
    )
    types = {} if asked.job_type else dict(JobType.objects.of(run.shop).values_list("pk", "name"))
    months = {int(month): _month_name(int(month)) for month in np.unique(loaded.month)}
    return ForecastQuality(
        every=_group("All", asked.query(), cases, alike),
        jobs=int(np.unique(cases.job).size),
        worth=worth,
        histogram=quality.pit_histogram(scored.pit, worth),
        uniformity=quality.uniformity(scored.pit, worth),
        lean=quality.lean(scored.pit, worth),
        runs=quality.runs(scored.pit, scored.job),
        by_kind=_groups(cases, loaded.kind, kinds, alike, lambda key: asked.query(stage=str(key))),
        by_type=_groups(cases, loaded.job_type, types, alike, lambda key: asked.query(type=str(key))),
        by_month=_groups(cases, loaded.month, months, alike, lambda key: _month_query(asked, key)),
    )


def _groups(
    cases: Cases, keys: Ints, names: Mapping[int, str], alike: float, query: Callable[[int], str]
) -> list[Group]:
    """Each named group that has a case, in the order of the names."""
    found = ((key, name, keys == key) for key, name in names.items())
    return [_group(name, query(key), cases.take(mask), alike) for key, name, mask in found if mask.any()]


def _group(name: str, query: str, cases: Cases, alike: float) -> Group:
    errors = cases.crps[np.isfinite(cases.crps)]
    return Group(
        name=name,
        query=query,
        n=len(cases),
        error=float(errors.mean()) if errors.size else math.nan,
        bias=quality.bias(cases, quality.worth(cases.job, alike)),
        coverage=quality.coverages(cases, alike),
        errors=tuple(
            quality.error_ratio(cases.crps, theirs, cases.job, seed=SEED)
            for theirs in (cases.crps_mean, cases.crps_past, cases.plan_error)
        ),
    )


def _month_name(month: int) -> str:
    return f"{calendar.month_name[month % 12 + 1]} {month // 12}"


def _month_query(asked: Asked, month: int) -> str:
    """The query of a month's part of the period."""
    year, place = month // 12, month % 12 + 1
    first, last = date(year, place, 1), date(year, place, calendar.monthrange(year, place)[1])
    bounds = asked.period
    first, last = max(first, bounds.first or first), min(last, bounds.last or last)
    return asked.query(**Period(first, last).query)
