"""A walk through the past of an invented shop, as it is stored: forecasts of a known truth and what happened."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import numpy as np

from analytics.engine.backtest import SHOWN
from analytics.engine.scores import crps_lognormal
from analytics.models import BacktestRun, ForecastCase, RunState
from jobs.models import Job, JobStatus, Stage
from shop.models import Shop
from tests.analytics.derived import a_job, a_kind

BEGAN = datetime(2026, 1, 5, 15, tzinfo=UTC)
MIDDLES = {"print": 30.0, "cut": 12.0, "weed": 45.0, "mask": 20.0, "apply": 90.0}
TYPES = ("Lettering", "Vehicle sides", "Window film")
SIGMA = 0.4


def a_walk(
    shop: Shop,
    jobs: int = 60,
    *,
    kinds: tuple[str, ...] = tuple(MIDDLES),
    slower: dict[str, float] | None = None,
    together: float = 0.3,
    seed: int = 3,
) -> BacktestRun:
    """A finished walk: log-normal minutes, of which the forecasts know the law.

    slower: by what factor a kind takes longer than its forecasts know. together: the share of the variance of the
    log that a job's stages have in common.
    """
    rng, at = np.random.default_rng(seed), BEGAN
    run = BacktestRun.objects.create(
        shop=shop,
        state=RunState.DONE,
        asked_at=BEGAN + timedelta(days=700),
        ended_at=BEGAN + timedelta(days=700),
    )
    for number in range(jobs):
        job = a_job(shop, TYPES[number % len(TYPES)])
        at = BEGAN + timedelta(days=3 * number)
        Job.objects.filter(pk=job.pk).update(status=JobStatus.FINISHED, finished_at=at)
        common = rng.normal()
        for kind in kinds:
            z = np.sqrt(together) * common + np.sqrt(1 - together) * rng.normal()
            stage = Stage.objects.create(
                shop=shop, job=job, kind=a_kind(shop, kind), name=kind, finished_at=at
            )
            minutes = MIDDLES[kind] * float(np.exp(SIGMA * z)) * (slower or {}).get(kind, 1.0)
            a_case(run, job, stage, minutes, MIDDLES[kind], at)
        a_case(run, job, None, sum(MIDDLES[k] for k in kinds) * float(np.exp(SIGMA * common)), 197.0, at)
    return run


def a_case(
    run: BacktestRun, job: Job, stage: Stage | None, minutes: float, middle: float, at: datetime
) -> ForecastCase:
    """What happened beside a log-normal forecast of this median, with simpler forecasts that are off by more."""
    law, mu = NormalDist(), np.log(middle)
    return ForecastCase.objects.create(
        shop=run.shop,
        run=run,
        job=job,
        job_type=job.job_type,
        stage=stage,
        kind=stage.kind if stage else None,
        finished_at=at,
        quantiles=[middle * float(np.exp(SIGMA * law.inv_cdf(p))) for p in SHOWN],
        actual_min=minutes,
        planned_min=1.3 * middle if job.number % 2 else None,
        pit=law.cdf(float(np.log(minutes) - mu) / SIGMA),
        crps=float(crps_lognormal(mu, SIGMA, minutes)),
        crps_mean=abs(1.6 * middle - minutes),
        crps_past=float(crps_lognormal(mu + 0.2, 0.9, minutes)),
    )
