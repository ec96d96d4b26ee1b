"""How near an engine's forecasts come to what is knowable, on one invented shop.

The shop is walked as the product does it: each job is forecast, then learned as its clock has it, with nothing set
aside. After so many finished jobs, fresh ones are drawn from the truth of that moment and not learned; their forecasts
are scored on true minutes beside the true law's and beside the mean per job type with a quarter added.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analytics.engine import scores
from analytics.engine.backtest import JobRecord, Learner, Past, StageRecord, forecast_job
from analytics.engine.features import BLANK_MIN
from analytics.engine.forecast import Forecast
from analytics.engine.trade import PARTS, defaults_for
from tests.analytics.engine.invented import InventedJob, InventedShop
from tests.analytics.engine.invented_records import clocked_record, true_record
from tests.analytics.engine.invented_truth import Truth

Floats = NDArray[np.float64]

LEVELS = (0.5, 0.8, 0.95)
POINTS = (0, 5, 20, 60, 200, 1000)
"""After how many finished jobs forecasts are scored."""

FRESH = 40
DRAWS = 1000
"""Of the true law: the CRPS of so many draws is 1/DRAWS of their mean distance above the law's own, 0.1 % or so."""

STAGES, JOBS = "stages", "job totals"
DRIFT_AT = 100
WINDOWS = ((-30, 0), (0, 10), (10, 20), (20, 30), (30, 60))
"""Jobs since a machine changed."""

NewLearner = Callable[[], Learner]
Scores = dict[tuple[str, int], Floats]
"""By what is forecast and after how many jobs: CRPS of the forecast, of the oracle and of the simple one, in minutes,
and the shares at or below P50, P80 and P95; all shape (6,), means over the cases."""


@dataclass(frozen=True, eq=False)
class Fresh:
    """A job to be forecast. draws: of its true law, shape (DRAWS, parts). rng: for its forecast."""

    job: InventedJob
    record: JobRecord
    draws: Floats
    rng: np.random.Generator

    def of(self, kind: str) -> Floats:
        """Draws of one stage's minutes, shape (DRAWS,)."""
        return np.asarray(self.draws[:, [s.kind == kind for s in self.job.stages]].sum(axis=1))


@dataclass
class Walk:
    """One shop, and a learner that has seen its jobs so far. past_*: what the simple forecast knows."""

    shop: InventedShop
    learner: Learner
    past_stages: Past = field(default_factory=Past)
    past_jobs: Past = field(default_factory=Past)

    def on(self) -> None:
        """One more finished job, forecast and then learned as the clock has it."""
        shop = self.shop
        number = shop.finished
        record = clocked_record(shop.job(), shop)
        forecasts, _, whole = forecast_job(self.learner, record, shop.stream("draws", number))
        self.learner.learn(record, forecasts, whole)
        for stage in record.stages:
            self.past_stages.add(stage.actual, record.job_type, stage.kind_key)
        self.past_jobs.add(sum(s.actual for s in record.stages), record.job_type)

    def fresh(self, n: int) -> Iterable[Fresh]:
        """Jobs as the next one might be. The shop and the oracle draw the same whatever the learner."""
        for i in range(n):
            number = (self.shop.finished, i)
            job = self.shop.fresh(self.shop.stream("fresh", *number))
            draws = job.law.draw(self.shop.stream("oracle", *number), DRAWS)
            yield Fresh(job, true_record(job), draws, self.shop.stream("forecast", *number))


def walk_scores(seed: int, truth: Truth, points: Sequence[int], fresh: int, new: NewLearner) -> Scores:
    """One shop's scores at the points, which rise. new: makes a learner that has seen none of this shop's jobs."""
    walk, found = Walk(InventedShop(seed, truth), new()), {}
    for point in points:
        while walk.shop.finished < point:
            walk.on()
        scored = [_score(walk, one) for one in walk.fresh(fresh)]
        found[STAGES, point] = np.mean([case for stages, _ in scored for case in stages], axis=0)
        found[JOBS, point] = np.mean([job for _, job in scored], axis=0)
    return found


def _score(walk: Walk, one: Fresh) -> tuple[list[list[float]], list[float]]:
    """A fresh job's cases: one for each stage, and one for the total."""
    record, job_type = one.record, one.record.job_type
    _, laws, whole = forecast_job(walk.learner, record, one.rng)
    stages = []
    for stage, law in zip(record.stages, laws, strict=True):
        point = mean_and_a_quarter(walk.past_stages.of(job_type, stage.kind_key), [stage])
        stages.append(_case(law, one.of(stage.kind_key), point, stage.actual))
    point = mean_and_a_quarter(walk.past_jobs.of(job_type), record.stages)
    return stages, _case(whole, one.draws.sum(axis=1), point, sum(s.actual for s in record.stages))


def _case(law: Forecast, true: Floats, simple: float, minutes: float) -> list[float]:
    crps = (law.crps(minutes), scores.crps_sample(true, minutes), abs(simple - minutes))
    return [*crps, *(minutes <= law.quantile(LEVELS))]


def mean_and_a_quarter(past: Sequence[float], stages: Sequence[StageRecord]) -> float:
    """The mean of the past with a quarter added; where there is none, the trade default's minutes and a quarter.

    A stage without a trade formula counts as BLANK_MIN.
    """
    return 1.25 * (float(np.mean(past)) if past else sum(default_minutes(s) for s in stages))


def default_minutes(stage: StageRecord) -> float:
    """The trade default's minutes of both parts of a stage."""
    defaults = [defaults_for(stage.kind_key, part) for part in PARTS]
    with_formula = [d.minutes(stage.drivers) for d in defaults if d.components]
    return sum(with_formula) if with_formula else BLANK_MIN


def drift_scores(seed: int, truth: Truth, fresh: int, new: NewLearner) -> dict[tuple[int, int], Floats]:
    """Of the stage whose machine changes after DRIFT_AT jobs: scores as above but without a simple forecast, by window.

    Shape (5,): CRPS of the forecast and of the oracle, shares at or below P50, P80, P95. Empty if the shop's job types
    have no such stage.
    """
    walk = Walk(InventedShop(seed, replace(truth, change=(DRIFT_AT, DRIFT_AT))), new())
    cases: Mapping[tuple[int, int], list[list[float]]] = {window: [] for window in WINDOWS}
    while walk.shop.finished < DRIFT_AT + WINDOWS[-1][1]:
        since = walk.shop.finished - DRIFT_AT
        for (first, after), found in cases.items():
            if first <= since < after:
                found.extend(case for one in walk.fresh(fresh) for case in _changed(walk, one))
        walk.on()
    return {window: np.mean(found, axis=0) for window, found in cases.items() if found}


def _changed(walk: Walk, one: Fresh) -> list[list[float]]:
    """The case of a fresh job's changed stage, if it has one."""
    stages = [s for s in one.record.stages if s.kind_key == walk.shop.changed]
    if not stages:
        return []
    _, [law], _ = forecast_job(walk.learner, replace(one.record, stages=stages), one.rng)
    case = _case(law, one.of(walk.shop.changed), 0.0, stages[0].actual)
    return [[*case[:2], *case[3:]]]
